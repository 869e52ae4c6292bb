"""The bench as a local page: what a sitting does, for hands that do not type commands."""
