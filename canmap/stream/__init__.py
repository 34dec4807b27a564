"""What a consumer of the stream is, and what it sees of a chunk."""
