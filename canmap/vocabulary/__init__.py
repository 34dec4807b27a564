"""Record types and units."""
