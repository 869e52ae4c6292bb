"""A loose sheet, kept by hand in its own manner, read into the CSV folder of a log with every guess listed."""
