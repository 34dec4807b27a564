"""When messages come: silent, too seldom, too close, lost, late, sent by two."""
