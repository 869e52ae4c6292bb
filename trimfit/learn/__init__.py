"""The response: how each reed type answers a cut, fitted from the log."""
