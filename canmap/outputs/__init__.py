"""5. Records and findings to the world."""
