"""What a sitting needs of a log."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from trimfit.base.answers import Advice
from trimfit.base.records import Doubt, ReedHistory, Settings
from trimfit.verbs.sitting.held_entries import Record


class Bench(Protocol):
    """What a sitting needs: the log, the doubts, the answers."""

    def settings(self) -> Settings:
        """The shop's settings."""

    def names(self) -> Sequence[str]:
        """The names of all reeds, for completion."""

    def work(self) -> Sequence[str]:
        """The reeds that wait for work, most urgent first."""

    def history(self, reed: str) -> ReedHistory:
        """All that the log knows of a reed. Raises InputError for one that is not in it."""

    def answer(self, reed: str) -> Advice:
        """What to do next with a reed. Raises TrimfitError where there is no answer."""

    def predicted(self, reed: str) -> Mapping[str, tuple[float, float]]:
        """Mean and standard deviation of each output of the next reading, as low A in cents from 440 Hz; may be
        empty."""

    def doubts(
        self,
        record: Record,
        history: ReedHistory | None,
        *,
        heard: Mapping[str, str],
        reference_hz: float | None,
        advised_mm: float | None,
    ) -> Sequence[Doubt]:
        """What is doubtful in a record not yet logged; a new reed has no history. heard: how notes were typed, where
        not as sounding hertz;
        reference_hz: what cents were counted from; advised_mm: the cut that was advised, if any."""

    def append(self, record: Record, doubts: Sequence[Doubt], seen: ReedHistory | None = None) -> tuple[str, bool]:
        """Log a record durably, with the doubts that go with it; the entry's id, and whether the log is the longer
        for it (the very same row may be there already). seen: the reed as it was when the record was made; a trim that
        somebody else's cut came before raises Overtaken."""

    def amended(self, entry: str, words: str) -> tuple[str, Record, Sequence[Doubt]]:
        """The id of the entry meant, its record as `words` correct it, and what is doubtful in that. Raises
        InputError for words that say nothing of it."""

    def amend(self, entry: str, record: Record, doubts: Sequence[Doubt]) -> str:
        """Put a corrected record in the place of an entry, which is struck; the id of the corrected entry."""

    def chanters(self) -> Sequence[str]:
        """The names of all chanters in the log."""

    def line_order(self) -> tuple[Sequence[str], bool]:
        """The order of numbers typed without names, and whether the shop has set it."""

    def set_line_order(self, order: Sequence[str]) -> None:
        """Set that order for the shop."""

    def strike(self, entry: str, why: str) -> str:
        """Strike an entry; the id of the strike."""

    def last_of(self, reed: str) -> tuple[str, str]:
        """The entry logged last of a reed: its id, and what kind it is of."""
