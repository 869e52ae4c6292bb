"""What the log shows over time: batches, chanters, the bench itself, and the report."""
