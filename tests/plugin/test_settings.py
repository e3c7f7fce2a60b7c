"""The dock's settings come from napari's settings page, and have the manifest's defaults without it."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest
import wlmeasure_napari
from npe2 import PluginManifest
from wlmeasure_napari import _settings
from wlmeasure_napari._settings import Settings, settings


def test_the_defaults_are_those_of_the_manifest() -> None:
    manifest = PluginManifest.from_file(Path(wlmeasure_napari.__file__).with_name("napari.yaml"))
    declared = manifest.contributions.configurations["dock"].properties
    said = {name: declared[name].default for name in declared}
    assert said == {"half_width_mm": 0.28, "large_type": False, "first_look": True}
    assert Settings() == Settings(0.28, False, True)


def test_what_the_user_set_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    page = SimpleNamespace(dock=SimpleNamespace(half_width_mm=0.05, large_type=True, first_look=False))
    monkeypatch.setattr(_settings, "get_plugin_settings", lambda name: page)
    assert settings() == Settings(0.05, True, False)


def test_a_page_that_is_not_there_gives_the_defaults(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> object:
        raise KeyError(name)

    monkeypatch.setattr(_settings, "get_plugin_settings", missing)
    assert settings() == Settings()
