"""Records and findings to the world."""
