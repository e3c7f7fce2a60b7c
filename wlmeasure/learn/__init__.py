"""Exercises: how far off is an estimate, and why? The only room above :mod:`~wlmeasure.share` that knows a truth."""
