"""Why it stopped: episodes, the evidence on each, and the causes that it speaks for."""
