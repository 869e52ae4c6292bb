"""Where else a reed might go: each order that still wants reeds, and each chanter of the log."""

from __future__ import annotations

from dataclasses import dataclass, replace

from trimfit.base.answers import Advice
from trimfit.base.natural_order import as_counted
from trimfit.base.normal import hz_interval
from trimfit.base.records import Order
from trimfit.base.units import Interval
from trimfit.planner.reasons import NO_LENGTH, NO_LENGTH_REASON
from trimfit.session.open_log import Bench, Seen
from trimfit.session.order_progress import a_guess, order_progress
from trimfit.session.reed_forecasts import forecast_of, still_wanted
from trimfit.session.session import Session
from trimfit.verbs.allot import together
from trimfit.verbs.ask import advise, weighed
from trimfit.verbs.pick import PITCH_OPEN, SHARP, SURELY_OFF, pitch_open

MOST_PLACES = 40
SURELY_SHARP = 0.9
"""A chance to be past before any cut over which a reed is said to be so; under it, that it may be."""


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What a reed would be for one order (None: for the chanter alone, wherever E and F meet).

    `length_mm`: what would still come off, None where nothing may or no length that the blade has would do, and then
    `meet_pitch_hz` is None too; `chance_good`: that it ends good there. Where by what is logged no length closes the
    gap there is no chance, and where what is logged is impossible no gap either: both None, with the reason.
    """

    order: str | None
    chanter: str
    gap_now_cents: Interval | None
    length_mm: float | None
    meet_pitch_hz: Interval | None
    chance_good: float | None
    remark: str


def elsewhere(session: Session, reed: str, *, at_s: float | None = None) -> list[Elsewhere]:
    """A reed seen from every open order and every chanter of the log, most promising first, and of equal chances
    those in chanters that were read; at_s: as of that moment.

    InputError for a reed that the log does not know.
    """
    journal = session.journal
    record = journal.reed_named(reed)
    session.fit_if_due()
    with session.reading():
        bench = session.bench(at_s)
        open_now = {one.order for one in order_progress(journal, "0000-00-00") if one.is_open}
        orders = [order for name, order in journal.orders().items() if name in open_now or name == record.order]
        chanters = sorted(journal.chanters())[:MOST_PLACES]
        asked = list(dict.fromkeys([*(order.chanter for order in orders), *chanters]))
        # each as `pick` has it, and its own order as `ask` has it: a chanter asked about counts as one it is for
        seen = {
            name: one for names in together(bench, asked) for one in [bench.see_reed(record, names)] for name in names
        }
        own = bench.see_reed(record)
        advice = advise(bench, own)
        named = {order.chanter for order in orders if order.target_pitch_hz is None}
        places = [
            _as_asked(_place(bench, own, order, order.order, finished=advice.action == "finished"), advice)
            if order.order == record.order
            else _place(bench, seen[order.chanter], order, order.order)
            for order in orders[:MOST_PLACES]
        ]
        places += [_place(bench, seen[name], Order("", name), None) for name in chanters if name not in named]
        guessed = {name for name in asked if a_guess(bench, name)}
        return sorted(
            places,
            key=lambda one: (
                -round(one.chance_good or 0.0, 2),
                one.chanter in guessed,
                as_counted(one.order or one.chanter),
            ),
        )


def _as_asked(place: Elsewhere, advice: Advice) -> Elsewhere:
    """A reed's own order with the figures of `ask`, which weighs what else its latest readings may mean."""
    gap, meets = advice.gap_now_cents or place.gap_now_cents, advice.meet_pitch_hz or place.meet_pitch_hz
    given_up = advice.action == "no-fit" and place.chance_good is not None
    good = advice.chance_within if given_up else place.chance_good
    return replace(place, gap_now_cents=gap, meet_pitch_hz=meets, chance_good=good)


def _place(bench: Bench, seen: Seen, order: Order, name: str | None, *, finished: bool = False) -> Elsewhere:
    """finished: `ask` calls it that for this order, so that it is not called too sharp for it."""
    aim = replace(bench.aim(seen, order), chanter=order.chanter)
    posterior = bench.posterior(seen, aim)
    ground, choice = weighed(bench, seen, posterior, aim)
    (forecast,) = forecast_of(bench, [(seen, aim)])
    closes = choice.reason != NO_LENGTH_REASON and not ground.impossible
    need = still_wanted(posterior, aim) if closes else None
    remarks = []
    if name is not None and name == seen.history.reed.record.order:
        remarks.append("its own order")
    if order.target_pitch_hz:
        remarks.append(f"asked for {order.target_pitch_hz:.1f} Hz")
    if not closes:
        remarks.append(f"by what is logged {ground.impossible}" if ground.impossible else NO_LENGTH)
    elif forecast.sharp > SURELY_SHARP and not finished:
        remarks.append("too sharp for it already")
    elif forecast.sharp > SHARP and not finished:
        remarks.append("may be too sharp for it already")
    elif forecast.off_pitch > SURELY_OFF:
        remarks.append("off the pitch asked for, and the lips do not reach")
    elif pitch_open(forecast, aim):
        remarks.append(PITCH_OPEN)
    if a_guess(bench, order.chanter):
        remarks.append("nobody has read F and E in this chanter: a guess")
    return Elsewhere(
        name,
        order.chanter,
        None if ground.impossible else posterior.gap(0.0, 0.0, bench.rules().error),
        None if forecast.sharp > SHARP or need is None else round(forecast.need_mm, 3),
        hz_interval(*posterior.meeting()) if need is not None else None,
        forecast.good if closes else None,
        "; ".join(remarks),
    )
