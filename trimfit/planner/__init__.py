"""From a reed's posterior to its next step."""
