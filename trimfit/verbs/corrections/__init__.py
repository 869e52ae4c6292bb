"""Entries put right or taken back."""
