"""Messages out of a ROS 2 node: `rosnode.py` is that node, `topic_sink.py` sends what steps lead to."""
