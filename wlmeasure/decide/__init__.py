"""From lengths in mm to one working length: radiographic methods, electronic readings, the rule between them."""
