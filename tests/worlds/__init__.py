"""Make-believe benches whose physics is not the fitted model, and yardsticks that play on them."""
