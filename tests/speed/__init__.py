"""Benchmarks: ratios to a named yardstick in the same run. Off by default; `python -m tests.speed` prints the table."""

import os

# as the program has it, and before numpy is loaded: idle threads of linear algebra would count as time on the processor
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
