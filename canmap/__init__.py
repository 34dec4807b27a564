"""From CAN frames to typed vehicle-state records and findings."""
