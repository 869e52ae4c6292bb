"""The CSV folder: in and out."""
