"""Captures to disk: a writer a format."""
