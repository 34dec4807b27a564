"""What a gateway passes on: copies against originals."""
