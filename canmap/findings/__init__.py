"""What a finding is, and how it opens and closes."""
