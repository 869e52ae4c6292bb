"""`pick`: which blanks of the stock to start an order with, and putting them to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from trimfit.base.errors import InputError
from trimfit.base.records import Order, ReedHistory

if TYPE_CHECKING:
    from trimfit.log.journal import Journal
    from trimfit.planner.aim import Aim, AimPosterior
    from trimfit.planner.prospect import Prospect
    from trimfit.session.open_log import Bench, Seen
    from trimfit.session.session import Session

__all__ = ["Pick", "Picked", "pick", "picked", "seen_of", "stock_for", "take"]


SHARP = 0.5
DRAWS = 200
ALIKE_CENTS = 6.0


@dataclass(frozen=True, slots=True)
class Pick:
    """One blank for an order. `crow_hz`: as last read, None if it never was; `remark`: what `why` says beyond length
    and cuts; `order`: the order it belongs to already, if any."""

    reed: str
    length_mm: float
    trims: float
    chance_good: float
    crow_hz: float | None
    why: str
    reed_type: str = ""
    batch: str = ""
    order: str | None = None
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Picked:
    """The blanks for an order, best first; how many it still wants (None: no number was said) beyond those in work for
    it; what to know about all of them."""

    order: Order
    blanks: tuple[Pick, ...]
    wanted: int | None
    notes: tuple[str, ...]


def stock_for(journal: Journal, order: Order, until_s: float | None = None) -> list[ReedHistory]:
    """Untrimmed blanks that are free for this order: without an order, or with this one, or put to stock.

    until_s: as the log stood at that instant.
    """
    free = [h for h in journal.blanks(until_s=until_s) if h.reed.record.order in (None, order.order)]
    stored = sorted(
        {reed for reed, outcome in journal.columns("outcome", ["reed", "outcome"]) if outcome == "to-stock"}
    )
    if stored:
        free += [
            h
            for h in journal.of_reeds(stored, until_s=until_s)
            if h.outcome is not None and h.outcome.record.outcome == "to-stock" and not h.trims
        ]
    return free


def seen_of(bench: Bench, histories: list[ReedHistory], order: Order) -> list[Seen]:
    """The posterior of these reeds, the order's chanter among those asked about."""
    wanted = {h.reed.record.reed for h in histories}
    batches = sorted({(h.reed.record.reed_type, h.reed.record.batch) for h in histories})
    found: list[Seen] = []
    for done, (reed_type, batch) in enumerate(batches, 1):
        found += bench.see_batch(reed_type, batch, [order.chanter], only=wanted).values()
        bench.tell("looking through the stock", done, len(batches))
    return found


def pick(session: Session, order_name: str, *, at_s: float | None = None) -> list[Pick]:
    """Untrimmed blanks of the stock for an order, best first; those already too sharp for its chanter last.

    at_s: as of that moment, as for `ask.ask_reed`. InputError for an order the log does not know.
    """
    return list(picked(session, order_name, at_s=at_s).blanks)


def picked(session: Session, order_name: str, *, at_s: float | None = None) -> Picked:
    """`pick`, with how many the order still wants and what is to be known of all its blanks."""
    from trimfit.base.natural_order import as_counted
    from trimfit.planner.prospect import prospect
    from trimfit.planner.reasons import basis
    from trimfit.session.evidence import grounds
    from trimfit.session.orders import chanter_word, order_named, order_progress
    from trimfit.verbs.ask import suits

    journal = session.journal
    order = order_named(journal, order_name)
    (progress,) = [one for one in order_progress(journal, "0000-00-00") if one.order == order.order]
    wanted = None if progress.wanted is None else max(progress.wanted - progress.in_work, 0)
    stock = stock_for(journal, order, at_s)
    if not stock:
        return Picked(order, (), wanted, ())
    session.fit_if_due()
    bench = session.bench(at_s)
    seen = seen_of(bench, stock, order)
    posteriors = []
    for one in seen:
        aim = bench.aim(one, order)
        posterior = bench.posterior(one, aim)
        table = bench.policy(one.type_code, posterior=posterior)
        posteriors.append((aim, posterior, prospect(posterior, aim, table, bench.rules())))
    chances = _chances(bench, seen, posteriors)
    unread = chanter_word(bench, order.chanter)
    out: list[tuple[tuple[object, ...], Pick]] = []
    for one, (aim, _, promise), chance in zip(seen, posteriors, chances, strict=True):
        record = one.history.reed.record
        crow = next((r.record.crow_hz for r in reversed(one.history.readings) if r.record.crow_hz), None)
        ground = grounds(bench, one, aim)
        said, text = [], ""
        if promise.chance_sharp > SHARP:
            other = suits(bench, one, aim)
            said.append(f"already too sharp for {order.chanter}" + (f"; {other}" if other else ""))
        elif promise.out_of_reach:
            said.append("would meet off the pitch asked for, and the lips do not reach")
        elif promise.choice.action == "finished" and ground.gap_read:
            said.append("at its meeting point as it is: ask after it, nothing may need to come off")
        else:
            text = f"about {promise.length_mm:.2f} mm to come off in {max(promise.trims, 1.0):.1f} cuts"
        leans = basis(replace(ground, chanter_unread=""))
        said += [leans] if leans else []
        remark = "; ".join(said)
        trims = promise.trims if promise.chance_sharp <= SHARP else 0.0
        found = Pick(
            one.name,
            round(promise.length_mm, 3),
            trims,
            chance,
            crow,
            "; ".join(part for part in (text, remark) if part),
            record.reed_type,
            record.batch,
            record.order,
            remark,
        )
        out.append(((-round(chance, 2), round(trims, 2), promise.length_mm, as_counted(one.name)), found))
    out.sort(key=lambda pair: pair[0])
    return Picked(order, tuple(found for _, found in out), wanted, (unread,) if unread else ())


def _chances(
    bench: Bench, seen: Sequence[Seen], posteriors: Sequence[tuple[Aim, AimPosterior, Prospect]]
) -> list[float]:
    """Each blank's chance of ending good.

    With a target pitch it hangs on what readings on the way will tell of the chanter and what the lips then do, which
    no formula of today's posterior says: those blanks are played out as `rehearse` plays a run, blanks that are
    believed alike together, all on the same draws.
    """
    import numpy as np

    from trimfit.planner.choice import rung_of
    from trimfit.planner.rehearsal import rehearse

    rules = bench.rules()
    played: dict[tuple[int, ...], float] = {}
    out = []
    for done, (one, (aim, posterior, promise)) in enumerate(zip(seen, posteriors, strict=True), 1):
        chance = promise.chance_good
        if aim.target_cents is not None and not promise.out_of_reach and promise.chance_sharp <= SHARP:
            meet, meet_sd = posterior.meeting()
            table = bench.policy(one.type_code, posterior=posterior)
            state = (posterior.mean[0], meet, 4.0 * np.log(posterior.cov[0, 0]), 8.0 * np.log(meet_sd))
            key = (one.type_code, *(round(float(value) / ALIKE_CENTS) for value in state))
            if key not in played:
                rung = rung_of(
                    table, float(posterior.mean[0]), float(posterior.cov[0, 0]), posterior.slope_log_sd, rules
                )
                rng = np.random.default_rng(1)
                run = rehearse([posterior] * DRAWS, aim, table, rung, rules.error, rules.step_mm, rng)
                played[key] = run.good
            chance = played[key]
        out.append(chance)
        bench.tell("playing the blanks out", done, len(seen))
    return out


def take(session: Session, found: Picked, count: int) -> list[str]:
    """Put the first `count` of these blanks to the order, as log entries; their names. Those already in it are passed
    over. InputError for more than there are."""
    from trimfit.verbs.log import log_reed, strike

    free = [one for one in found.blanks if one.order != found.order.order]
    if count > len(free):
        raise InputError(f"only {len(free)} blanks are free", f"order {found.order.order[:60]}", "take fewer")
    names = [one.reed for one in free[:count]]
    for name in names:
        left = session.journal.of_reed(name).outcome
        if left is not None:
            strike(session, left.entry, f"taken from stock for {found.order.order}")
        log_reed(session, name, {"order": found.order.order})
    return names
