"""What is learned of chanters: their kinds, what was stated of them, and their notes."""
