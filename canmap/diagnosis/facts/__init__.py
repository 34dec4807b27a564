"""The frames around an episode, and the typed facts that they tell."""
