"""Bus descriptions: DBC text to described messages and signals."""
