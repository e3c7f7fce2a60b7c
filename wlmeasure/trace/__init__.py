"""From clicks on the film to the centre line of a canal or a file."""
