"""Looking back: batches, chanters, one reed, its ticket, the report."""
