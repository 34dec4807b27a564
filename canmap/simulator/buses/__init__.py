"""Simulator: nodes' frames on two buses, bit by bit, and what a recorder keeps."""
