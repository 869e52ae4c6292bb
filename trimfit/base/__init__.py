"""What every part shares: faults, units, pitches, dates, and the values handed from part to part."""
