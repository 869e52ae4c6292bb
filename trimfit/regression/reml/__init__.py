"""The mixed-model engine: groups and matrices, no reeds."""
