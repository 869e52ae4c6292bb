"""Make-believe benches whose physics is not the fitted model, and yardsticks that play on them."""

import os

# As the program has it, and before numpy is loaded: on small matrices idle threads cost several times what they save.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
