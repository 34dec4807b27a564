"""Simulator: a vehicle, its kit and its bus, with faults whose truth is known."""
