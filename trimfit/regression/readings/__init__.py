"""The log's readings as a data frame and as arrays."""
