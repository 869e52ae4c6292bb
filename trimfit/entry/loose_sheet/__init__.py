"""A loose sheet, kept by hand in its own manner, read into a CSV folder with every guess listed."""
