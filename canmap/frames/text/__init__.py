"""Captures that are text: lines to columns of frames."""
