"""How each reed type answers a cut, fitted from the log."""
