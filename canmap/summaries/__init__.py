"""Periods of messages and values of fields, in memory that does not grow."""
