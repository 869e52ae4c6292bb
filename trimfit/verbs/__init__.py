"""What each command does with the log; no printing here."""
