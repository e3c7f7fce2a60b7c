"""What the user set for the dock on napari's settings page."""

from __future__ import annotations

from attrs import frozen
from napari.settings import get_plugin_settings

__all__ = ["Settings", "settings"]


@frozen
class Settings:
    """Values as the manifest declares them; these are its defaults. `half_width_mm` is that of the 95 % interval."""

    half_width_mm: float = 0.28
    large_type: bool = False
    first_look: bool = True


def settings() -> Settings:
    """The user's settings; the defaults where napari does not know the plugin, as in a bare checkout."""
    try:
        dock = get_plugin_settings("wlmeasure").dock
        return Settings(float(dock.half_width_mm), bool(dock.large_type), bool(dock.first_look))
    except (AttributeError, KeyError, ValueError):
        return Settings()
