"""2. Frames to raw signal values."""
