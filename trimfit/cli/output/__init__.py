"""How answers and failures are printed: words, tables, JSON, and what a terminal may be sent."""
