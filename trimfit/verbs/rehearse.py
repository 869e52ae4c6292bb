"""`rehearse`: playing an order's run out beforehand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from trimfit.base.errors import InputError
from trimfit.base.records import Order

if TYPE_CHECKING:
    from trimfit.log.journal import Journal
    from trimfit.planner.aim import AimPosterior
    from trimfit.planner.rehearsal import Run
    from trimfit.session.session import Session

__all__ = ["Rehearsal", "WhatIf", "rehearse_order"]

Tell = Callable[[str, int, int], None]
DRAWS = 1000
LEAST_READ = 3
LEAST_GOOD = 0.05


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
    """What a run will give. Shares of reeds, each with its Monte Carlo standard error (`_se`); minutes for the run.

    `wanted`: the order's number; `done_good`, `done_lost`: reeds of it that have left the bench; `reeds`: those still
    wanted, which the minutes are for; `blanks_for_quantity`: reeds to work at for so many good ones, of which `in_hand`
    are in work and `to_start` have to be begun (None: hardly any would be good). So many are enough with the chance
    `chance_enough`: the number that pays, where an order a reed short costs what a reed handed over outside tolerance
    does, and a reed too many its own time at the bench.

    For a chanter that is away: `send_reeds`, as many as give nine in ten that those still wanted are within tolerance
    there, `aim_offsets_cents`, the gap there that each of these is worked to, and the chance that one is within.
    """

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
    wanted: int | None = None
    done_good: int = 0
    done_lost: int = 0
    in_hand: int = 0
    to_start: int | None = None
    chance_enough: float | None = None
    notes: tuple[str, ...] = ()
    send_reeds: int | None = None
    chance_one_within: float | None = None
    aim_offsets_cents: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True)
class Sending:
    """For a chanter that is away: how many reeds to send, the chance that as many as wanted are within tolerance there
    and that one is, and the gaps there that each is worked to, cents, flattest first."""

    reeds: int
    chance_enough: float
    chance_one: float
    aims_cents: tuple[float, ...]


def _sending(posterior: AimPosterior, wanted: int, tolerance_cents: float) -> Sending | None:
    """How many to send; None for a chanter at hand."""
    import numpy as np

    from trimfit.planner.away import LEFT_SHARE, chance_of_so_many, reeds_to_send

    if not posterior.beyond_sd_cents:
        return None
    sds = posterior.beyond_sd_cents, LEFT_SHARE * posterior.reading_sd_cents
    aims, enough = reeds_to_send(max(wanted, 1), *sds, tolerance_cents)
    return Sending(len(aims), enough, float(chance_of_so_many(np.array(aims), 1, *sds, tolerance_cents)), aims)


def _refuse_without_evidence(journal: Journal, order: Order) -> None:
    """InputError where nothing was ever cut and the chanter was hardly read: what a run would give is then a guess."""
    if journal.count("trim"):
        return
    rows = journal.columns("reading", ["reed", "chanter", "f_hz", "e_hz"])
    read = {reed for reed, chanter, f_hz, e_hz in rows if chanter == order.chanter and f_hz and e_hz}
    if len(read) < LEAST_READ:
        raise InputError(
            f"too little is known to play a run out: nothing was ever cut, and {len(read) or 'no'} blank"
            f"{'' if len(read) == 1 else 's'} read in {order.chanter[:60]} with F and E",
            f"order {order.order[:60]}",
            "read three blanks in the chanter first",
        )


def rehearse_order(
    session: Session, order_name: str, *, seed: int = 1, draws: int = DRAWS, at_s: float | None = None
) -> Rehearsal:
    """The run of an order played out on `draws` reeds drawn from the posterior of those in hand for it.

    In hand are the order's reeds that have not left the bench; where there are none, the free blanks of the stock;
    where there is no stock, fresh reeds of the type the shop knows best. Same seed, same answer. at_s: as of that
    moment (seconds since 1970 UTC), as for `ask.ask_reed`; now if not said.
    """
    import numpy as np

    from trimfit.base.pitch import hz_width_cents
    from trimfit.planner.choice import rung_of
    from trimfit.planner.expected_cost import reeds_to_start
    from trimfit.planner.rehearsal import rehearse
    from trimfit.session.orders import chanter_word, order_named, order_progress
    from trimfit.verbs.pick import seen_of, stock_for

    journal, tell = session.journal, session.progress
    order = order_named(journal, order_name)
    (progress,) = [one for one in order_progress(journal, "0000-00-00", at_s) if one.order == order.order]
    _refuse_without_evidence(journal, order)
    session.fit_if_due()
    bench = session.bench(at_s)
    in_hand = [
        h for h in journal.of_reeds(None, open_only=True, until_s=at_s) if h.order and h.order.order == order.order
    ]
    on = f"the {len(in_hand)} reeds in hand for it"
    working = len(in_hand)
    if not in_hand:
        in_hand = stock_for(journal, order, at_s)
        on = f"the {len(in_hand)} free blanks of the stock"
    if in_hand:
        seen = seen_of(bench, in_hand, order)
    else:
        best = bench.model.coding.types[int(np.argmax(bench.model.reeds))]
        seen = [bench.fresh(best, order)]
        on = f"fresh {best} reeds" if best else "reeds of no known type (assumptions only)"
    aims = [bench.aim(s, order) for s in seen]
    rules = bench.rules()
    code = max((s.type_code for s in seen), key=[s.type_code for s in seen].count)
    pool = [bench.posterior(s, a) for s, a in zip(seen, aims, strict=True)]
    posteriors = [pool[i % len(pool)] for i in range(draws)]
    quantity = len(seen) if progress.wanted is None else progress.wanted

    def typical(pool: list[AimPosterior]) -> tuple[float, float, float]:
        """Gap, its variance and the slope's log spread of the middle reed of the pool."""
        return (
            float(np.median([b.mean[0] for b in pool])),
            float(np.median([b.cov[0, 0] for b in pool])),
            float(np.median([b.slope_log_sd for b in pool])),
        )

    def play(change: str, *, tolerance_hz: float | None = None, extra: int = 0, pool_of: str | None = None) -> Run:
        aim, table_code, these = aims[0], code, posteriors
        settings = bench.settings
        if tolerance_hz is not None:
            wide = hz_width_cents(tolerance_hz, order.target_pitch_hz or 470.0)
            aim, settings = replace(aim, tolerance_cents=wide), replace(settings, tolerance_hz=tolerance_hz)
        if pool_of is not None:
            other = bench.fresh(pool_of, order)
            table_code = other.type_code
            these = [bench.posterior(other, bench.aim(other, order))] * draws
        table = bench.policy(table_code, settings, these[0])
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
        for name in bench.model.coding.types
        if name and name not in mine
    ]
    sending = _sending(pool[0], quantity, aims[0].tolerance_cents)
    unread = "" if sending else chanter_word(bench, order.chanter)
    short = max(bench.settings.cost_outside_minutes, 1.0)
    share, a_reed = max(plain.good, 1.0 / (draws + 1.0)), max(plain.minutes_per_reed, 0.1)
    blanks, enough = reeds_to_start(quantity, min(share, draws / (draws + 1.0)), short, a_reed)
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
        blanks_for_quantity=blanks,
        draws=draws,
        on=on,
        what_if=tuple(
            WhatIf(name, r.good, r.past, r.trims_per_reed, r.readings_per_reed, r.minutes_per_reed * quantity)
            for name, r in changes
        ),
        wanted=order.quantity,
        done_good=progress.good,
        done_lost=progress.lost,
        in_hand=working,
        to_start=max(blanks - working, 0) if plain.good >= LEAST_GOOD else None,
        chance_enough=enough if plain.good >= LEAST_GOOD else None,
        notes=(unread,) if unread else (),
        send_reeds=sending.reeds if sending else None,
        chance_one_within=sending.chance_one if sending else None,
        aim_offsets_cents=sending.aims_cents if sending else None,
    )
