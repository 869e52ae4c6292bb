"""The run's work list, kept beside the page: worked out batch by batch while nobody waits for an answer.

On a large shop all of it takes seconds. So the page shows what is known at once, and marks the reeds whose advice is
still being worked out: those that anything was logged of since, and all of them for the first seconds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from trimfit.base.answers import Advice
from trimfit.base.iso_dates import now_s, text_of
from trimfit.base.records import ReedHistory
from trimfit.session.order_progress import Progress
from trimfit.session.session import Session
from trimfit.verbs.ask import advice_of_batch, open_orders, work_order

AGAIN_S, OLDEST_S = 600.0, 3600.0
"""Advice is as of a moment: older than the first it is worked out again, older than the second it is not shown."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """One reed of the run. advice: None while it is being worked out."""

    reed: str
    order: str
    advice: Advice | None


@dataclass(frozen=True, slots=True)
class _Known:
    """The advice on a reed, the history it rests on, and when it was worked out (seconds since 1970 UTC)."""

    history: ReedHistory
    advice: Advice
    at_s: float


class WorkList:
    """What is known of the run. `look` and `work_out` may be called from two threads."""

    def __init__(self) -> None:
        self._known: dict[str, _Known] = {}
        self._log: tuple[object, list[ReedHistory], list[Progress]] = (None, [], [])
        self._model: object = None
        self._shop: object = None

    def look(self, session: Session) -> tuple[list[Waiting], list[Progress]]:
        """Every reed that has an order and no outcome, in the order of `ask_all`, with the advice that is known (those
        being worked out stand last in their order); and the open orders."""
        version = (session.journal.content_version(), text_of(now_s())[:10])  # what is overdue changes with the day
        if self._log[0] != version:
            self._log = version, session.journal.of_reeds(None, open_only=True), open_orders(session)
        _, waiting, orders = self._log
        good = {one.order: one.good for one in orders}
        known, oldest_s = self._known, now_s() - OLDEST_S
        found = []
        for history in waiting:
            name = history.reed.record.reed
            kept = known.get(name)
            fresh = kept is not None and kept.history == history and kept.at_s >= oldest_s
            advice = kept.advice if kept is not None and fresh else None
            order = history.order.order if history.order is not None else ""
            found.append((work_order(history, advice, good), Waiting(name, order, advice)))
        return [one for _, one in sorted(found, key=lambda pair: pair[0])], orders

    def work_out(self, session: Session, rest: Callable[[], bool]) -> None:
        """Bring the list up to date: all of it where the model, the settings or the chanters changed, else the batches
        of which anything was logged. rest: called between reeds; where it answers true, a newer call is due."""
        waiting = session.journal.of_reeds(None, open_only=True)
        if not waiting:
            self._known = {}
            return
        model, shop = session.fit_if_due(ready=True), (session.settings, session.journal.chanters())
        if model is not self._model or shop != self._shop:
            self._model, self._shop = model, shop
            self._known = {name: _old(one) for name, one in self._known.items()}
        histories = {h.reed.record.reed: h for h in waiting}
        self._known = {name: one for name, one in self._known.items() if name in histories}
        for reed_type, batch, names in self._to_do(waiting):
            at_s = now_s()
            for advice in advice_of_batch(session.bench(), reed_type, batch, names):
                self._known = {**self._known, advice.reed: _Known(histories[advice.reed], advice, at_s)}
                if rest():
                    return

    def _to_do(self, waiting: list[ReedHistory]) -> Iterator[tuple[str, str, set[str]]]:
        """The batches to be worked out (type, batch, reeds), those with a reed not known first, soonest due first."""
        again_s = now_s() - AGAIN_S
        batches: dict[tuple[str, str], list[ReedHistory]] = {}
        for history in waiting:
            record = history.reed.record
            batches.setdefault((record.reed_type, record.batch), []).append(history)

        def due(key: tuple[str, str]) -> tuple[bool, str]:
            known = [self._known.get(h.reed.record.reed) for h in batches[key]]
            changed = any(k is None or k.history != h for k, h in zip(known, batches[key], strict=True))
            return not changed, min((h.order.due_on or "9998") for h in batches[key] if h.order is not None)

        for key in sorted(batches, key=due):
            names = {h.reed.record.reed: h for h in batches[key]}
            known = [self._known.get(name) for name in names]
            if any(k is None or k.history != names[k.advice.reed] or k.at_s < again_s for k in known):
                yield (*key, set(names))


def _old(known: _Known) -> _Known:
    """The same, to be worked out again and shown until then."""
    return _Known(known.history, known.advice, min(known.at_s, now_s() - AGAIN_S - 1.0))
