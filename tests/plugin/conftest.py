"""napari kept to itself: settings in a temporary folder, the plugin known whether or not the project is installed."""

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def drafts_folder(monkeypatch, tmp_path):
    """Cases that a test does not save by hand lie here, not in the person's own folder."""
    folder = tmp_path / "drafts"
    monkeypatch.setenv("WLMEASURE_DRAFTS", str(folder))
    return folder


@pytest.fixture(autouse=True)
def no_first_look(monkeypatch):
    """A film is looked at by itself only where a test is about that (`test_first_look.py`): proposals take the keys."""
    monkeypatch.setattr("wlmeasure_napari._first_look.FirstLook.looks", False)


@pytest.fixture
def plugin(monkeypatch, tmp_path):
    """The manager of napari's plugins, with ours in it."""
    import wlmeasure_napari
    from napari.settings import NapariSettings
    from npe2 import PluginManager, PluginManifest

    # A viewer saves its settings when it closes; the person who runs the tests keeps theirs.
    monkeypatch.setattr("napari.settings._SETTINGS", NapariSettings(config_path=tmp_path / "settings.yaml"))
    manager = PluginManager.instance()
    manager.discover()
    if "wlmeasure" not in [manifest.name for manifest in manager.iter_manifests()]:
        manager.register(PluginManifest.from_file(Path(wlmeasure_napari.__file__).with_name("napari.yaml")))
    return manager
