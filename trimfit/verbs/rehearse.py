"""`rehearse`: what an order's run will give, before a blade is touched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np

from trimfit.base.errors import InputError, short
from trimfit.base.plain_words import counted
from trimfit.base.records import Order
from trimfit.planner.away import share_of
from trimfit.planner.forecast import Forecast, good_on_nodes
from trimfit.planner.reasons import FEW_REEDS
from trimfit.session.open_log import Bench, Seen
from trimfit.session.order_progress import chanter_word, order_named, order_progress, too_little_known
from trimfit.session.reed_forecasts import forecast_of
from trimfit.session.session import Session
from trimfit.verbs.pick import (
    SHARP,
    Foreseen,
    Sending,
    chanter_pitch,
    cheapest_first,
    cuts_known,
    in_work,
    need_of,
    new_reed,
    offered_by,
    run_hours,
    run_minutes,
    seen_of,
    sending_of,
    stock_for,
    to_send,
    with_more_such,
)
from trimfit.verbs.reviews.owner_answers import first_ask, usual_type

FIGURES = ("good", "past", "cuts", "readings")


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What a change would do to the run: the same figures."""

    change: str
    good: float
    past: float
    trims_per_reed: float
    readings_per_reed: float
    minutes: float


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What a run of `draws` reeds will give. Shares of these reeds, each with (`_se`) the standard deviation by which
    it scatters by how each of them may end. Cuts and readings a reed, and minutes at the bench for the run, each with
    (`_se`) the standard error that these reeds' differences in what is expected of each would give the mean of so many
    drawn like them: how one reed may go by itself is not in it, and for one reed it is nought.
    `past_already`: the share of `past` that is past before any cut; `off_pitch`: the share that ends off the pitch
    ordered.

    `wanted`: the order's number; `done_good`, `done_lost`, `came_back`: reeds of it that left the bench; `reeds`: those
    still wanted; `blanks_for_quantity`: reeds to work at for so many good ones, of which `in_hand` are in work and
    `to_start` have to be begun (None: hardly any would be good); `free_blanks`: those of the stock that may be. The
    minutes are for all in hand, as they are, and all to be begun, as new blanks; `cost_minutes`: with what those of
    them cost that are lost or left outside tolerance. So many are enough with the chance
    `chance_enough`: the number that pays, where an order a reed short costs what a reed handed over outside tolerance
    does, and a reed too many its own time at the bench.

    For a chanter that is away: `send_reeds`, as many as give nine in ten that those still wanted are good there,
    `aim_offsets_cents`, the gap there that each of these is worked to, the chance that one is good, and how many of
    them are expected to be. `of_sent`: the shares are of these reeds, each at its own stop, and scatter by what is not
    known of the chanter too, which is the same for all of them. `sent_reeds` is how many they are: reeds in hand that
    are past already are not among them. `pitch_doubt`: as in `pick.Need`; then no number is said, and the shares are of
    as many as are wanted.
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
    came_back: int = 0
    free_blanks: int = 0
    in_hand: int = 0
    to_start: int | None = None
    chance_enough: float | None = None
    notes: tuple[str, ...] = ()
    past_already: float = 0.0
    off_pitch: float = 0.0
    shortage: str = ""
    send_reeds: int | None = None
    chance_one_within: float | None = None
    aim_offsets_cents: tuple[float, ...] | None = None
    expected_within: float | None = None
    of_sent: bool = False
    sent_reeds: int | None = None
    chanter: str = ""
    cost_minutes: float = 0.0
    pitch_doubt: str = ""

    def hours_words(self) -> str:
        """`run_hours` of the run."""
        return run_hours(self.minutes, self.cost_minutes, self.in_hand, self.to_start or 0)


def _forecasts(bench: Bench, order: Order, reeds: Sequence[Seen]) -> list[Foreseen]:
    """Reeds, each with what working it to its end for an order gives."""
    return list(zip(reeds, forecast_of(bench, [(seen, bench.aim(seen, order)) for seen in reeds]), strict=True))


def _run_words(working: int, starting: int, new: Sequence[Seen], free: int) -> str:
    """Which reeds a run is of. working: reeds in hand; starting: those to be started, `new` of them looked at; free:
    blanks of the stock."""
    if working:
        on = "the reed in hand for it" if working == 1 else f"the {working} reeds in hand for it"
        return f"{on} and {counted(starting, 'new one')}" if starting else on
    if not free:
        kind = new[0].history.reed.record.reed_type
        many = counted(starting, f"fresh {kind} reed" if kind else "reed")
        return many if kind else f"{many} of no known type (assumptions only)"
    if len(new) < free:
        first = "the free blank" if len(new) == 1 else f"the {len(new)} free blanks"
        return f"{first} of the stock that pick offers first"
    on = "the free blank of the stock" if free == 1 else f"the {free} free blanks of the stock"
    return f"{on} and {starting - free} more such" if starting > free else on


def rehearse_order(session: Session, order_name: str, *, at_s: float | None = None) -> Rehearsal:
    """What the run of an order will give, from the forecasts of the reeds worked for it.

    The run is of the order's reeds that have not left the bench and of as many as have to be started besides: the free
    blanks of the stock that `pick` offers first, and where the stock ends more like it; where there is none, fresh
    reeds of the type that most in hand are, else of the one the shop knows best. at_s: as of that moment (seconds since
    1970 UTC), as for `ask.ask_reed`; now if not said. InputError where too little is known (`too_little_known`).
    """
    journal, tell = session.journal, session.progress
    order = order_named(journal, order_name)
    (progress,) = [one for one in order_progress(journal, "0000-00-00", at_s) if one.order == order.order]
    if unknown := too_little_known(journal, order):
        raise InputError(unknown[0], f"order {short(order.order)}", unknown[1])
    session.fit_if_due()
    bench = session.bench(at_s)
    histories = in_work(journal, order, at_s)
    working = len(histories)
    mine = {history.reed.record.reed for history in histories}
    started = seen_of(bench, histories, order)
    free = seen_of(bench, [h for h in stock_for(journal, order, at_s) if h.reed.record.reed not in mine], order)
    blanks = free if started or free else [new_reed(bench, order)]
    quantity = len(started or blanks) if progress.wanted is None else progress.wanted
    own, stock = _forecasts(bench, order, started), _forecasts(bench, order, blanks)
    need = need_of(bench, order, quantity, own, *cheapest_first(stock if free else []))
    # those yet to be started are the blanks that are offered first, and cost what these do, not what those begun do
    lacking = max(quantity - working, 0)
    starting = lacking if need.to_start is None else need.to_start
    offered = sorted(stock, key=lambda pair: offered_by(pair[1], pair[1].minutes, pair[0].name))
    new = [seen for seen, _ in offered[: starting if started else max(starting, 1)]]
    if starting and not new:
        new = [new_reed(bench, order, started)]
    on = _run_words(working, starting, new, len(free))
    run_of = working + starting
    likeliest = sorted(range(working), key=lambda i: -own[i][1].good)
    sending = need.sending
    past = sum(one.sharp > SHARP for _, one in own)

    def of_run(bench: Bench, pairs: Sequence[Foreseen], count: int) -> Sending | None:
        """What is sent of a run, the reeds in hand first; count: so many."""
        further = pairs[working : working + 1] or _forecasts(bench, order, [new_reed(bench, order, started)])
        return sending_of(bench, order, [*to_send([pairs[i] for i in likeliest]), *further], quantity, count)

    if need.pitch_doubt:
        sending = of_run(bench, [*own, *_forecasts(bench, order, new[:1])], max(run_of - past, quantity))

    def run(change: str, bench: Bench = bench, fresh: str = "") -> tuple[WhatIf, list[Forecast]]:
        """The run's figures, where the stock ends its mean standing for each of the rest; and the reeds' forecasts."""
        tell(f"rehearsing: {change}", 0, 1)
        pairs = _forecasts(bench, order, [bench.fresh(fresh, order)] if fresh else [*started, *new])
        found = [one for _, one in pairs]
        tell(f"rehearsing: {change}", 1, 1)
        if not fresh and starting > len(new):
            found = [*found[:working], *with_more_such(found[working:], starting)]
        mean = {name: float(np.mean([getattr(one, name) for one in found])) for name in FIGURES}
        minutes = run_of * float(np.mean([one.bench_minutes for one in found]))
        readings = bench.readings_each * mean["readings"]
        good, past = mean["good"], mean["past"]
        if sending is not None:  # of reeds that are sent it counts to which stop each is worked
            sent = (
                sending_of(bench, order, pairs, quantity, sending.reeds)
                if fresh
                else of_run(bench, pairs, sending.reeds)
            )
            good, past = (sent.good[0], sent.past[0]) if sent is not None else (good, past)
        return WhatIf(change, good, past, mean["cuts"], readings, minutes), found

    plain, found = run("as it stands")
    wider = replace(bench.settings, tolerance_hz=bench.settings.tolerance_hz + 0.5)
    changes = [
        run("half a hertz more tolerance", bench.under(wider))[0],
        run("every reading taken twice", bench.under(bench.settings, 2))[0],
    ]
    types = {seen.history.reed.record.reed_type for seen in started or new}
    changes += [
        run(f"fresh {name} reeds instead", fresh=name)[0]
        for name in bench.model.coding.types
        if name and name not in types
    ]
    unread = chanter_word(bench, order.chanter)
    weights = [seen.history.reed.record.weight for seen in (*started, *new)]
    weight = ""
    if order.weight and None in weights:
        weight = f"nobody said of {weights.count(None)} of these reeds whether they are {short(order.weight)}: "
        weight += "the shares do not count it"
    run_reeds = [seen for seen in (*started, *new) if seen.reeds_of_type < FEW_REEDS]
    few = sorted({seen.history.reed.record.reed_type or "such" for seen in run_reeds})
    alone = ""
    if few and need.chance_enough is not None:
        alone = f"few {' and '.join(short(kind) for kind in few)} reeds were read yet: what is not known of how they"
        alone += " answer is the same for all, and how sure a number is does not count it"
    pairs = list(zip([*started, *new], found, strict=False))
    guessed = sum(not cuts_known(bench, seen, bench.aim(seen, order), one) for seen, one in pairs)
    guess = ""
    if guessed:
        guess = f"of {guessed} of these {len(pairs)} reeds it is not known how many cuts are left: cuts, readings and"
        guess += " hours are a guess"
    first = first_ask(bench, order, usual_type(bench, [seen.history for seen in started or new[:1]]))

    def scatter(variance: float) -> float:
        """Standard deviation of the mean of so many reeds of this variance each."""
        return float(np.sqrt(variance / max(run_of, 1)))

    good_se = share_of(*good_on_nodes(found, chanter_pitch(bench, order, (started or new)[0])[1]))[1]
    past_se = share_of(np.array([[one.past] for one in found]), np.ones(1))[1]
    if sending is not None:
        good_se, past_se = sending.good[1], sending.past[1]
    figures = {name: value for name, value in asdict(plain).items() if name != "change"}
    return Rehearsal(
        order=order.order,
        reeds=quantity,
        **figures,
        hours=plain.minutes / 60.0,
        good_se=good_se,
        past_se=past_se,
        trims_per_reed_se=scatter(float(np.var([one.cuts for one in found]))),
        readings_per_reed_se=scatter(float(np.var([one.readings for one in found]))),
        minutes_se=run_of * scatter(float(np.var([one.bench_minutes for one in found]))),
        blanks_for_quantity=need.blanks,
        draws=len(found),
        on=on,
        what_if=tuple(changes),
        wanted=order.quantity,
        done_good=progress.good,
        done_lost=progress.lost,
        came_back=progress.came_back,
        free_blanks=len(free),
        in_hand=working,
        to_start=need.to_start,
        chance_enough=need.chance_enough,
        notes=tuple(note for note in (unread, weight, guess, alone, first) if note),
        send_reeds=need.sending.reeds if need.sending else None,
        chance_one_within=need.sending.chance_one if need.sending else None,
        aim_offsets_cents=need.sending.aims_cents if need.sending else None,
        expected_within=need.sending.expected_within if need.sending else None,
        of_sent=sending is not None,
        sent_reeds=sending.reeds if sending is not None else None,
        chanter=order.chanter,
        past_already=float(np.mean([one.sharp for one in found if sending is None or one.sharp <= SHARP] or [0.0])),
        off_pitch=float(np.mean([one.off_pitch for one in found])),
        shortage=need.words(),
        cost_minutes=run_minutes(bench, found[:run_of], sending)[1],
        pitch_doubt=need.pitch_doubt,
    )
