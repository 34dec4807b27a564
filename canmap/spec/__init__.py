"""0. What the vehicle should say: the mapping spec and the bus descriptions that it names."""
