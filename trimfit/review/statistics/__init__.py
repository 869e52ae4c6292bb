"""Numbers only: drift, control charts, chanters, repeatability."""
