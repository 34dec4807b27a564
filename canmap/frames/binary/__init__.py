"""Captures that are binary: objects, records, blocks and rows to columns of frames."""
