"""State machines: transitions, time limits, enabling."""
