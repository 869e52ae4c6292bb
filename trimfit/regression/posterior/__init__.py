"""The posterior of a batch and of each of its reeds."""
