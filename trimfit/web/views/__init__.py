"""The page's screens, one file each."""
