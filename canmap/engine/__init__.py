"""The one engine: its two halves and the loop."""
