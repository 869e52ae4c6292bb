"""Times on the processor: of commands in a process of their own, and of calls in this one.

The processor's time of a process (user and system) and not the clock's: on a machine that others use too, the clock
tells chiefly about them. Yardstick and subject take turns, so that a busy spell falls on both; medians are compared.

An installed package is compiled once, when it is installed, and the yardsticks are installed packages. Where the
environment forbids Python to keep what it compiled, a checkout would be compiled anew in each cold process, which no
user's is: that word is taken back here, and the package is compiled beforehand.
"""

from __future__ import annotations

import compileall
import gc
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Timed", "call_s", "compiled", "python", "spawn", "turns"]

ROOT = Path(__file__).parents[2]
ENVIRONMENT = {
    **{name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"},
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "NO_COLOR": "1",
}


@dataclass(frozen=True, slots=True)
class Timed:
    """One run of a command: seconds on the processor and by the clock, the most memory it held, what it printed."""

    cpu_s: float
    clock_s: float
    memory_mb: float
    out: str


def python(*words: str) -> list[str]:
    """A command of this interpreter."""
    return [sys.executable, *words]


def spawn(command: Sequence[str]) -> Timed:
    """Run a command to its end; RuntimeError with its last words if it fails."""
    began = time.perf_counter()
    with subprocess.Popen(
        command, cwd=ROOT, env=ENVIRONMENT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as child:
        assert child.stdout is not None
        out = child.stdout.read()
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise RuntimeError(f"{' '.join(command)}: exit {child.returncode}: {out[-400:]}")
    return Timed(usage.ru_utime + usage.ru_stime, time.perf_counter() - began, usage.ru_maxrss / 1024.0, out)


def compiled() -> None:
    """Compile the package where that was not done yet, as its installation does."""
    compileall.compile_dir(ROOT / "trimfit", quiet=1)


def call_s(work: Callable[[], object]) -> float:
    """Seconds on the processor of one call in this process."""
    gc.collect()
    began = time.process_time()
    work()
    return time.process_time() - began


def turns(yardstick: Callable[[], float], subject: Callable[[], float], repeats: int) -> tuple[float, float]:
    """Medians of the two, run in turns."""
    pairs = [(yardstick(), subject()) for _ in range(repeats)]
    return statistics.median(a for a, _ in pairs), statistics.median(b for _, b in pairs)
