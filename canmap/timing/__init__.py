"""Clock, arrivals, what is expected and what is newest."""
