"""What is stale, missing, out of range or wrong, and why."""
