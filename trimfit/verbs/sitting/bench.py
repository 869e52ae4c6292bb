"""What a sitting needs of a log: entries through the journal, their doubts, the answers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from trimfit.base.answers import Advice
from trimfit.base.errors import InputError, TrimfitError
from trimfit.base.iso_dates import now_s
from trimfit.base.records import Chanter, Doubt, Event, Outcome, Reading, Reed, ReedHistory, Trim
from trimfit.entry.checks import event_doubts, outcome_doubts, reading_doubts, when_doubts
from trimfit.entry.neighbours import ExpectedReading
from trimfit.entry.similar_names import name_doubts
from trimfit.entry.tokens import split_words
from trimfit.entry.typing_slips import Typed
from trimfit.log.column_values import canonical
from trimfit.log.entry_kinds import kind_of_record
from trimfit.planner.quantities import CutError
from trimfit.session.expected_reading import expected_reading
from trimfit.session.own_lines import OwnLines, own_lines
from trimfit.session.policies import cut_error_of
from trimfit.session.session import Session
from trimfit.verbs.ask import ask_all, ask_reed
from trimfit.verbs.corrections.amend import amended_record, amendment_doubts
from trimfit.verbs.log import cut_doubts, keep, keep_outcome
from trimfit.verbs.predict import predict_outputs
from trimfit.verbs.sitting.held_entries import Overtaken, Record


class Bench:
    """An open log as a sitting sees it. Where nothing was learned yet, doubts fall back on the reed's own readings.

    An entry is checked against the fitted model as it is kept; only answers make a fit, after the entry is saved.
    """

    def __init__(self, session: Session) -> None:
        self.session, self.journal = session, session.journal
        self._histories: tuple[tuple[int, int], dict[str, ReedHistory]] = (0, 0), {}

    def work(self, order: str | None = None) -> Sequence[str]:
        """The reeds that have an order (or this one) and want a cut or a reading, most urgent first."""
        return [
            advice.reed
            for advice in ask_all(self.session)
            if advice.action in ("trim", "read-again") and order in (None, advice.order)
        ]

    def history(self, reed: str) -> ReedHistory:
        """All that the log knows of a reed, read once until anything is logged, here or elsewhere.

        Raises InputError for one that is not in it.
        """
        now = self.journal.content_version()
        if self._histories[0] != now:
            self._histories = now, {}
        known = self._histories[1]
        if reed not in known:
            known[reed] = self.journal.of_reed(reed)
        return known[reed]

    def answer(self, reed: str) -> Advice:
        """What to do next with a reed. Raises TrimfitError where there is no answer."""
        return ask_reed(self.session, reed)

    def hand(self) -> CutError:
        """How far the hand's cuts miss what was meant."""
        return cut_error_of(self.session.model, self.session.settings)

    def own_lines(self, reed: str) -> OwnLines | None:
        """What a reed's own readings say by themselves, if anything."""
        with self.session.reading():
            bench = self.session.bench()
            seen = bench.see_reed(self.journal.reed_named(reed))
            return own_lines(bench, seen, bench.aim(seen))

    def predicted(self, reed: str) -> Mapping[str, tuple[float, float]]:
        """Mean and standard deviation of each output of the next reading, as low A in cents from 440 Hz; nothing where
        nothing can be predicted."""
        try:
            return predict_outputs(self.session, reed)
        except TrimfitError:
            return {}

    def expected(self, reading: Reading) -> ExpectedReading | None:
        """What a reading should show under its own conditions, for its reed and for those beside it."""
        try:
            return expected_reading(self.session, reading)
        except TrimfitError:
            return None

    def doubts(
        self,
        record: Record,
        history: ReedHistory | None,
        *,
        heard: Mapping[str, str],
        reference_hz: float | None,
        advised_mm: float | None,
    ) -> Sequence[Doubt]:
        """What is doubtful in a record not yet logged (see `entry.checks`); a new reed has no history.

        heard: how notes were typed, where not as sounding hertz; reference_hz: what cents were counted from;
        advised_mm: the cut that was advised, if any.
        """
        if isinstance(record, Reed | Chanter):
            return name_doubts(self.journal, record)[0]
        settings = self.session.settings
        history = history or self.history(record.reed)
        by_time = when_doubts(record, history, settings, now_s())
        if isinstance(record, Event):
            return [*event_doubts(record), *by_time]
        if isinstance(record, Outcome):
            return [*outcome_doubts(record, history, settings), *by_time]
        if isinstance(record, Trim):
            return [*cut_doubts(self.journal, record, history, advised_mm=advised_mm), *by_time]
        expected = self.expected(record)
        typed = Typed(heard, reference_hz)
        return [*reading_doubts(record, history, settings, typed=typed, foreseen=expected), *by_time]

    def append(self, record: Record, doubts: Sequence[Doubt], seen: ReedHistory | None = None) -> tuple[str, bool]:
        """Log a record durably, with its doubts; the entry's id, and whether it is new: the very same row may be there.

        An outcome takes the place of an earlier one, which is struck. seen: the reed as it was when the record was
        made; a trim that another sitting's cut came before raises Overtaken, and is not logged.
        """
        with self.journal.writing():
            if isinstance(record, Trim) and seen is not None:
                known = {one.entry for one in seen.trims}
                others = [one.record for one in self.history(record.reed).trims if one.entry not in known]
                # The very same entry, logged twice over, is one.
                if others and record not in others:
                    raise Overtaken(others)
            if isinstance(record, Outcome):
                kept = keep_outcome(self.journal, record, doubts)
            else:
                kept = keep(self.journal, record, "", doubts)
            return kept.entry, kept.new

    def amended(self, entry: str, words: str) -> tuple[str, Record, Sequence[Doubt]]:
        """The id of the entry meant, its record as `words` correct it, and what is doubtful in that.

        Raises InputError for words that say nothing of it, and for values that cannot be kept.
        """
        old, before, record = amended_record(self.journal, entry, split_words(words))
        if record == before:
            raise InputError("nothing to amend: it says so already", "fix")
        kind = kind_of_record(record)
        canonical(kind, kind.row(record), self.journal.scale())  # what no log can keep is not asked about
        return old, record, amendment_doubts(self.session, record, old)

    def amend(self, entry: str, record: Record, doubts: Sequence[Doubt]) -> str:
        """Put a corrected record in the place of an entry, which is struck; the id of the corrected entry."""
        return self.journal.amend(entry, record, doubts=doubts).entry

    def line_order(self) -> tuple[Sequence[str], bool]:
        """The order of numbers typed without names, and whether the shop has set it."""
        stored = {name for (name,) in self.journal.columns("setting", ["setting"])}
        return self.session.settings.line_order.split(), "line_order" in stored

    def set_line_order(self, order: Sequence[str]) -> None:
        """Set that order for the shop."""
        self.journal.set_setting("line_order", " ".join(order))
