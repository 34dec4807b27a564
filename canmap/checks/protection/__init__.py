"""Lengths, counters and checksums: whether a frame is whole and fresh."""
