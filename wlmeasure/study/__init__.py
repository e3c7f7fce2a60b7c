"""Studies of measurements: how far observers agree."""
