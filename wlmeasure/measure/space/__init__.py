"""One tooth in three dimensions from two or more films of it."""
