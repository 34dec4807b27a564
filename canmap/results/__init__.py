"""An inspection, and the JSON of it."""
