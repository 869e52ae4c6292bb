"""What the log shows over time: statistics, pictures, page and ticket."""
