"""A real ROS 2 beside the project: what runs in its Python, and how tests get to it."""
