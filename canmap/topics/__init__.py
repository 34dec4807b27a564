"""Records and findings as messages of ROS 2: which topics, of which types, and their bytes."""
