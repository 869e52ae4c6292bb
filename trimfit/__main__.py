"""`python -m trimfit` and the console command."""

from __future__ import annotations

import sys

from trimfit.cli.quick import answered


def main() -> None:
    """Run the command line: a quick verb at once, anything else with the whole command line loaded."""
    code = answered(sys.argv[1:])
    if code is not None:
        sys.exit(code)
    from trimfit.cli.app import main as whole

    whole()


if __name__ == "__main__":
    main()
