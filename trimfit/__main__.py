"""`python -m trimfit` and the console command."""

from __future__ import annotations

import gc
import os
import sys

# The matrices here are small: threads in the linear algebra library cost several times what they save.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from trimfit.cli.fast_path import answered  # noqa: E402
from trimfit.cli.output.screen import open_streams  # noqa: E402


def main() -> None:
    """Run the command line: a quick verb at once, anything else with the whole command line loaded."""
    # A quick verb is over before its garbage matters.
    gc.disable()
    open_streams()
    code = answered(sys.argv[1:])
    if code is not None:
        sys.exit(code)
    gc.enable()
    from trimfit.cli.app import main as whole

    whole()


if __name__ == "__main__":
    main()
