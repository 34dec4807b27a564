"""What the kit reports of itself: fault bits, codes, reactions."""
