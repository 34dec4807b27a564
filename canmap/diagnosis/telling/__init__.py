"""A diagnosis in words, as a page and as JSON."""
