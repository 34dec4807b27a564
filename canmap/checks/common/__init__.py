"""What several checks have in common: samples, courses, conditions, sentences."""
