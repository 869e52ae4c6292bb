"""One open log: what was learned, each batch asked after, and what follows from both."""
