"""What is wrong with the capture itself: lines, clocks, doubled frames, what it does not cover."""
