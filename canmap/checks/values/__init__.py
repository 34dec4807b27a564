"""What messages say: out of range, codes, steps, stuck, one against the other."""
