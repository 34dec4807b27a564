"""3. Signal values to typed records."""
