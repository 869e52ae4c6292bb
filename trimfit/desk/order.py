"""`pick` and `rehearse`: choosing blanks for an order, and playing its run out beforehand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from trimfit.errors import InputError, nearest
from trimfit.records import Order, ReedHistory

if TYPE_CHECKING:
    from trimfit.bench.journal import Journal
    from trimfit.desk.beliefs import Bench, Seen
    from trimfit.plan.belief import AimBelief
    from trimfit.plan.rehearse import Run

__all__ = ["Pick", "Rehearsal", "WhatIf", "pick", "rehearse_order"]

Tell = Callable[[str, int, int], None]
DRAWS = 1000
SHARP = 0.5


@dataclass(frozen=True, slots=True)
class Pick:
    """One blank for an order. `crow_hz`: as last read, None if it never was."""

    reed: str
    length_mm: float
    trims: float
    chance_good: float
    crow_hz: float | None
    why: str


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What a change of rule would do to the run: the same figures, on the same draws."""

    change: str
    good: float
    past: float
    trims_per_reed: float
    readings_per_reed: float
    minutes: float


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What a run will give. Shares of reeds, each with its Monte Carlo standard error (`_se`); minutes for the run."""

    order: str
    reeds: int
    good: float
    past: float
    trims_per_reed: float
    readings_per_reed: float
    minutes: float
    hours: float
    good_se: float
    past_se: float
    trims_per_reed_se: float
    readings_per_reed_se: float
    minutes_se: float
    blanks_for_quantity: int
    draws: int
    on: str
    what_if: tuple[WhatIf, ...]


def _order(journal: Journal, name: str) -> Order:
    orders = journal.orders()
    if name not in orders:
        raise InputError(f"order {name[:60]!r} is not in the log", "order", nearest(name, sorted(orders)))
    return orders[name]


def _stock(journal: Journal, order: Order) -> list[ReedHistory]:
    """Untrimmed blanks that are free for this order: without an order, or with this one."""
    return [h for h in journal.blanks() if h.reed.record.order in (None, order.order)]


def _seen(bench: Bench, histories: list[ReedHistory], order: Order, tell: Tell) -> list[Seen]:
    wanted = {h.reed.record.reed for h in histories}
    batches = sorted({(h.reed.record.reed_type, h.reed.record.batch) for h in histories})
    found: list[Seen] = []
    for done, (reed_type, batch) in enumerate(batches, 1):
        found += [s for s in bench.see_batch(reed_type, batch, [order.chanter]).values() if s.name in wanted]
        tell("looking through the stock", done, len(batches))
    return found


def pick(path: Path, order_name: str, tell: Tell = lambda *_: None) -> list[Pick]:
    """Untrimmed blanks of the stock for an order, best first; those already too sharp for its chanter last.

    InputError for an order the log does not know.
    """
    from trimfit.bench.journal import Journal
    from trimfit.desk.advise import suits
    from trimfit.desk.beliefs import Bench
    from trimfit.desk.evidence import grounds
    from trimfit.plan.pick import prospect
    from trimfit.plan.words import basis

    with Journal(path) as journal:
        order = _order(journal, order_name)
        stock = _stock(journal, order)
        if not stock:
            return []
        bench = Bench(journal, tell)
        out: list[tuple[tuple[float, float, float], Pick]] = []
        for seen in _seen(bench, stock, order, tell):
            aim = bench.aim(seen, order)
            promise = prospect(bench.belief(seen, aim), aim, bench.policy(seen.type_code), bench.rules())
            crow = next((r.record.crow_hz for r in reversed(seen.history.readings) if r.record.crow_hz), None)
            if promise.chance_sharp > SHARP:
                other = suits(bench, seen, aim)
                text = f"already too sharp for {order.chanter}" + (f"; {other}" if other else "")
            elif promise.out_of_reach:
                text = "would meet off the pitch asked for, and the lips do not reach"
            else:
                text = f"about {promise.length_mm:.2f} mm to come off in {max(promise.trims, 1.0):.1f} cuts"
            leans = basis(grounds(bench, seen, aim))
            text = f"{text}; {leans}" if leans else text
            trims = promise.trims if promise.chance_sharp <= SHARP else 0.0
            found = Pick(seen.name, round(promise.length_mm, 3), trims, promise.chance_good, crow, text)
            out.append(((-round(promise.chance_good, 2), trims, promise.length_mm), found))
    out.sort(key=lambda pair: (*pair[0], pair[1].reed))
    return [found for _, found in out]


def rehearse_order(
    path: Path, order_name: str, *, seed: int = 1, draws: int = DRAWS, tell: Tell = lambda *_: None
) -> Rehearsal:
    """The run of an order played out on `draws` reeds drawn from what is believed of those in hand for it.

    In hand are the order's reeds that have not left the bench; where there are none, the free blanks of the stock;
    where there is no stock, fresh reeds of the type the shop knows best. Same seed, same answer.
    """
    import numpy as np

    from trimfit.bench.journal import Journal
    from trimfit.desk.beliefs import Bench
    from trimfit.pitch import hz_width_cents
    from trimfit.plan.choose import rung_of
    from trimfit.plan.rehearse import rehearse

    with Journal(path) as journal:
        order = _order(journal, order_name)
        bench = Bench(journal, tell)
        in_hand = [h for h in journal.of_reeds(None, open_only=True) if h.order and h.order.order == order.order]
        on = f"the {len(in_hand)} reeds in hand for it"
        if not in_hand:
            in_hand = _stock(journal, order)
            on = f"the {len(in_hand)} free blanks of the stock"
        if in_hand:
            seen = _seen(bench, in_hand, order, tell)
        else:
            best = bench.card.coding.types[int(np.argmax(bench.card.reeds))]
            seen = [bench.fresh(best, order)]
            on = f"fresh {best} reeds" if best else "reeds of no known type (assumptions only)"
        aims = [bench.aim(s, order) for s in seen]
        rules = bench.rules()
        code = max((s.type_code for s in seen), key=[s.type_code for s in seen].count)
        pool = [bench.belief(s, a) for s, a in zip(seen, aims, strict=True)]
        beliefs = [pool[i % len(pool)] for i in range(draws)]
        quantity = order.quantity or len(seen)

        def typical(pool: list[AimBelief]) -> tuple[float, float, float]:
            """Gap, its variance and the slope's log spread of the middle reed of the pool."""
            return (
                float(np.median([b.mean[0] for b in pool])),
                float(np.median([b.cov[0, 0] for b in pool])),
                float(np.median([b.slope_log_sd for b in pool])),
            )

        def play(change: str, *, tolerance_hz: float | None = None, extra: int = 0, pool_of: str | None = None) -> Run:
            aim, table_code, these = aims[0], code, beliefs
            settings = bench.settings
            if tolerance_hz is not None:
                wide = hz_width_cents(tolerance_hz, order.target_pitch_hz or 470.0)
                aim, settings = replace(aim, tolerance_cents=wide), replace(settings, tolerance_hz=tolerance_hz)
            if pool_of is not None:
                other = bench.fresh(pool_of, order)
                table_code = other.type_code
                these = [bench.belief(other, bench.aim(other, order))] * draws
            table = bench.policy_under(table_code, settings)
            tell(f"rehearsing: {change}", 0, 1)
            rung = rung_of(table, *typical(these), rules)
            run = rehearse(
                these, aim, table, rung, rules.error, rules.step_mm, np.random.default_rng(seed), extra_readings=extra
            )
            tell(f"rehearsing: {change}", 1, 1)
            return run

        plain = play("as it stands")
        changes = [
            ("half a hertz more tolerance", play("wider tolerance", tolerance_hz=bench.settings.tolerance_hz + 0.5)),
            ("one more reading after each cut", play("one more reading", extra=1)),
        ]
        mine = {s.history.reed.record.reed_type for s in seen}
        changes += [
            (f"fresh {name} reeds instead", play(name, pool_of=name))
            for name in bench.card.coding.types
            if name and name not in mine
        ]
    return Rehearsal(
        order=order.order,
        reeds=quantity,
        good=plain.good,
        past=plain.past,
        trims_per_reed=plain.trims_per_reed,
        readings_per_reed=plain.readings_per_reed,
        minutes=plain.minutes_per_reed * quantity,
        hours=plain.minutes_per_reed * quantity / 60.0,
        good_se=plain.good_se,
        past_se=plain.past_se,
        trims_per_reed_se=plain.trims_se,
        readings_per_reed_se=plain.readings_se,
        minutes_se=plain.minutes_se * quantity,
        blanks_for_quantity=int(np.ceil(quantity / max(plain.good, 0.01))),
        draws=draws,
        on=on,
        what_if=tuple(
            WhatIf(name, r.good, r.past, r.trims_per_reed, r.readings_per_reed, r.minutes_per_reed * quantity)
            for name, r in changes
        ),
    )
