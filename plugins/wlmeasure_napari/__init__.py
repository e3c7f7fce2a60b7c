"""The napari plugin of wlmeasure: a thin visitor of the core. No arithmetic lives here, and no Qt outside `_dock*.py`."""
