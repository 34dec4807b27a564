"""What an axis does: demands, watchdogs, tracking, the driver's override."""
