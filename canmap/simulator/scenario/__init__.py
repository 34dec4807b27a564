"""Simulator: what is done when, and what is wrong."""
