"""The steps of a fit, from rows to a fitted model."""
