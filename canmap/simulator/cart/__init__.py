"""Simulator: the orchard cart, its kit, its people and its nodes."""
