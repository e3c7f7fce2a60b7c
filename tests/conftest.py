"""What holds for every test."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from hypothesis import settings

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # tests share modules of their own

# A deadline is a timed assertion, which a busy machine breaks. On CI hypothesis also takes the same examples every time.
# Sixty examples where a test names no number: the whole run is to take less than half an hour on two processors.
usual = settings.get_profile(settings.get_current_profile_name())
settings.register_profile("no deadline", usual, deadline=None, max_examples=60)
settings.load_profile("no deadline")


def pytest_configure(config):
    """Tests that run side by side draw on a screen each: two windows on one would take each other's keyboard."""
    screens = os.environ.get("TEST_DISPLAYS", "").split()
    if hasattr(config, "workerinput") and screens:
        worker = int(config.workerinput["workerid"].removeprefix("gw"))
        os.environ["DISPLAY"] = screens[worker % len(screens)]
