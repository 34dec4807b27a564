"""What every room may use: errors, optional libraries, memory, words for numbers."""
