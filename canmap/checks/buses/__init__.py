"""What is wrong with a bus: error frames, channels, identifiers that nobody describes."""
