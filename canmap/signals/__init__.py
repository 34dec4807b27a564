"""Frames to raw signal values."""
