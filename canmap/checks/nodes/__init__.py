"""Nodes and their supply: restarts, slow starts, low voltage, the stop chain."""
