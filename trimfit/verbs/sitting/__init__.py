"""A sitting at the bench, as a machine with no terminal in it."""
