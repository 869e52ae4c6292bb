"""Typed text to a record, and the checks made before it is logged."""
