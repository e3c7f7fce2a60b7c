"""One look at a film: what is on it, proposed for a person to accept."""
