"""Length and curvature of a traced canal, with their uncertainty."""
