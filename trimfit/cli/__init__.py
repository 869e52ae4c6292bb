"""The command line: the only part that knows typer."""
