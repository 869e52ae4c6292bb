"""The pictures: their style and what each shows."""
