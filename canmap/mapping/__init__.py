"""The mapping spec: the manual of a vehicle, every name resolved and every quantity exact."""
