"""Runs of this package in a process of their own, some of which end it by a signal."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]


def ran(*arguments: object, **options: Any) -> subprocess.CompletedProcess[bytes]:
    """What came of the interpreter with these arguments, which imports the package that lies here."""
    path = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))
    command = [sys.executable, *map(str, arguments)]
    return subprocess.run(command, env=os.environ | {"PYTHONPATH": path}, check=False, **options)


def ran_script(folder: Path, text: str, *arguments: object, **options: Any) -> subprocess.CompletedProcess[bytes]:
    """The same with a script, which is written to a file: processes that it starts read it again."""
    script = folder / "run.py"
    script.write_text(text, "utf-8")
    return ran(script, *arguments, **options)
