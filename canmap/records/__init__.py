"""Signal values to typed records."""
