"""The command line: the only room that knows typer."""
