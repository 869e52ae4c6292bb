"""`python -m tests.speed.page [--reeds N] [--readings N]`: how long the page takes beside a cold `ask`, by the clock.

A server of its own on a make-believe shop, and Chromium. From the tap that sends a reading to the first picture of the
screen with its answer: what a maker waits for. A cold `trimfit ask` of the same reed is run in turns with it.
"""

from __future__ import annotations

import argparse
import contextlib
import statistics
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.speed.figures import Shop
from tests.speed.stopwatch import ENVIRONMENT, ROOT, spawn
from tests.web.chromium import Page, chromium

__all__ = ["Waits", "measured"]

WATCH = """(() => {
  window.sent = window.shown = 0;
  document.querySelector("[data-reading]").addEventListener("submit", () => { window.sent = performance.now(); });
  new MutationObserver((_, watcher) => {
    watcher.disconnect();
    requestAnimationFrame(() => setTimeout(() => { window.shown = performance.now(); }));
  }).observe(document.getElementById("main"), { childList: true });
})()"""


@dataclass(frozen=True, slots=True)
class Waits:
    """Seconds by the clock: until the list of a server just started is there, until it is filled in; medians of a
    reading's answer on the screen, and of a cold `ask` in turns with it; and how many answers came late."""

    list_s: float
    filled_s: float
    answer_s: float
    cold_ask_s: float
    late: int
    readings: int

    def lines(self) -> list[str]:
        """What was found, in words; ratios to a cold `ask`."""
        return [
            f"from a reading sent to its answer on the screen: {self.answer_s / self.cold_ask_s:.2f} of a cold ask "
            f"({1000 * self.answer_s:.0f} ms here, median of {self.readings}; {self.late} over 300 ms)",
            f"the list of a server just started: {self.list_s / self.cold_ask_s:.2f} of a cold ask, "
            f"filled in after {self.filled_s / self.cold_ask_s:.0f}",
        ]


@contextlib.contextmanager
def served(shop: Shop) -> Iterator[str]:
    """The address of a server of the shop in a process of its own."""
    command = shop.trimfit("serve", "--port", "0")
    with subprocess.Popen(command, cwd=ROOT, env=ENVIRONMENT, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.terminate()


def answered_s(page: Page, address: str, reed: str, f_tenths_hz: int) -> float:
    """Seconds from a reading that is sent to its answer on the screen."""
    page.open(f"{address}reed?name={reed}")
    page.until("document.querySelector('.answer:not(.unknown)')")
    time.sleep(1.0)  # a maker takes longer than that to read a reed
    page.run(WATCH)
    for digits in (str(f_tenths_hz), "7030", "4680", "9360"):
        for digit in digits:
            page.tap_words("[data-keypad] button", digit)
    page.tap_words("[data-reading] button.main", "Log the reading")
    page.until("window.shown")
    page.until("document.querySelector('.answer:not(.unknown)')")
    return float(page.run("window.shown - window.sent")) / 1000.0


def measured(shop: Shop, folder: Path, readings: int) -> Waits:
    """The waits on a learned shop; `readings` of its open reeds are read once each."""
    answers, cold = [], []
    with served(shop) as address, chromium(folder) as page:
        page.shape(360, 740)
        began = time.perf_counter()
        page.open(address)
        page.until("document.querySelector('a.reed')")
        list_s = time.perf_counter() - began
        page.until("!document.querySelector('[data-again]')", 300.0)
        filled_s = time.perf_counter() - began
        for k in range(readings):
            reed = f"R-{shop.reeds - 1 - 7 * k:06d}"
            answers.append(answered_s(page, address, reed, 7700 + 13 * k % 50))
            cold.append(spawn(shop.trimfit("ask", reed)).clock_s)
        assert page.faults == [], page.faults
    late = sum(1 for answer in answers if answer > 0.3)
    return Waits(list_s, filled_s, statistics.median(answers), statistics.median(cold), late, readings)


def main() -> None:
    """Measure, and print."""
    words = argparse.ArgumentParser(prog="python -m tests.speed.page", description=__doc__)
    words.add_argument("--reeds", type=int, default=60_000, help="reeds in the log")
    words.add_argument("--readings", type=int, default=15, help="readings sent from the page")
    given = words.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        shop = Shop(Path(folder), given.reeds).learned()
        print("\n".join(measured(shop, Path(folder), given.readings).lines()))


if __name__ == "__main__":
    main()
