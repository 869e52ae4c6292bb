"""`serve`: the bench as a local page, beside the command line on the same log."""

from __future__ import annotations

import sys
from typing import Annotated

import typer
from typer import Option

from trimfit.cli.context import app, log_path, option, say_new
from trimfit.cli.output.screen import say

DEFAULT_PORT = 8377
SHARED = """\
shared: the first in the workshop's own network to open this address and press
"Come in" is let in; the key works once. It is for a network that you trust, not
for the internet: what is sent is not encrypted. Ctrl-C ends it."""


@app.command()
def serve(
    context: typer.Context,
    port: Annotated[
        int, Option("--port", help="Port; 0 takes a free one.", min=0, max=65535, metavar="N")
    ] = DEFAULT_PORT,
    share: Annotated[
        bool, option("--share", "Let other devices of the workshop's own network in, each by a key.")
    ] = False,
) -> None:
    """The bench as a page in the browser. For hands that do not type; on this machine, or shared in the workshop.

    The first line says its address. Ctrl-C ends it; all that was acknowledged is in the log.

    Example: trimfit serve
    """
    from trimfit.web.server import serve as serve_page

    log = log_path(context)

    def announce(address: str) -> None:
        say(address)
        say_new(log)
        if share:
            if sys.stdout.isatty():
                from trimfit.web.square_code import square_text

                say(*square_text(address).splitlines())
            say(SHARED)

    serve_page(log, port, share=share, announce=announce)
