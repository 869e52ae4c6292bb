"""`allot`: which reed of the stock for which order, at the least expected cost in all, and logging that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from trimfit.base.errors import InputError, short
from trimfit.base.natural_order import as_counted
from trimfit.base.normal import hz_interval
from trimfit.base.plain_words import MOST_NAMED, counted
from trimfit.base.records import Order, ReedHistory
from trimfit.base.units import Interval, within
from trimfit.log.journal import Journal
from trimfit.planner.allotment import assigned
from trimfit.planner.forecast import Forecast
from trimfit.review.results import AtPitch, PitchCurve, hours_words
from trimfit.session.open_log import Bench, Seen
from trimfit.session.order_progress import Progress, chanter_word, order_named, order_progress
from trimfit.session.reed_forecasts import forecast_of
from trimfit.session.session import Session
from trimfit.verbs.pick import (
    HARDLY,
    SHARP,
    cheapest_first,
    cuts_known,
    cuts_of,
    each_alone,
    last_crow_hz,
    need_of,
    of_weight,
    offered_by,
    promise,
    put_to,
    seen_of,
    stock_for,
    weight_minutes,
)

MOST_PITCHES = 25
LEAST_PITCHES = 5
PITCH_STEP_HZ = 0.5
ONE_SET_HZ, BESIDE_HZ = 2.0, 3.0
"""Orders whose pitches lie so near each other may be one set's; so far beside these a common one is sought."""
MOST_PAIRS = 30_000
"""Of reeds and orders for the report's curve: some ten seconds."""
AT_ONCE = 10
"""So many chanters are asked about at once: a state that holds them all grows with their square."""


@dataclass(frozen=True, slots=True)
class Allotted:
    """One reed for one order. `trims`, `chance_good`, `minutes`: as `pick` says them of the same reed; `weight`: of the
    reed, None where nobody said it; `bench_minutes`: of its cuts and readings alone."""

    order: str
    chanter: str
    reed: str
    length_mm: float
    trims: float
    chance_good: float
    meet_pitch_hz: Interval
    minutes: float
    why: str
    crow_hz: float | None = None
    reed_type: str = ""
    weight: str | None = None
    bench_minutes: float = 0.0
    cuts_known: bool = True


@dataclass(frozen=True, slots=True)
class Short:
    """An order that stays short: how many it wants now, how many were found, and why no more."""

    order: str
    wanted: int
    found: int
    why: str


@dataclass(frozen=True, slots=True)
class Start:
    """How many reeds to start for an order, besides those in work, so that enough end good, as `pick` and `rehearse`
    say; those that are allotted to it count among them. `places`: those that it wants beyond the ones in work for it,
    if every reed ended good. `free_blanks`: those of the stock that may be started for it, others' among them."""

    order: str
    places: int
    to_start: int
    free_blanks: int = 0


@dataclass(frozen=True, slots=True)
class Allotment:
    """Which reed for which order, one for each place. `minutes`: expected cost in all, of places left empty too;
    `spare_why`: of each spare reed; `pitches`: the same orders at one pitch, where that was asked, and `best_pitch_hz`
    the cheapest of them, None where no reed is likely to end good at any; `starts`: for each of these orders that wants
    a number of reeds, some of which may end good; none where reeds in work are dealt out anew."""

    allotted: tuple[Allotted, ...]
    short: tuple[Short, ...]
    spare: tuple[str, ...]
    minutes: float
    spare_why: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    pitches: tuple[AtPitch, ...] = ()
    best_pitch_hz: float | None = None
    starts: tuple[Start, ...] = ()

    def hours_words(self) -> str:
        """How long it takes: the work alone, and with what lost reeds and empty places cost."""
        return hours_words(sum(one.bench_minutes for one in self.allotted), self.minutes, self.empty)

    @property
    def empty(self) -> int:
        """How many places stay empty."""
        return sum(one.wanted - one.found for one in self.short)

    def starts_words(self) -> str:
        """For which orders more reeds are to be started than have a place, since some fail; empty where for none."""
        more = [f"{one.to_start} for {short(one.order)}" for one in self.starts if one.to_start > one.places]
        if not more:
            return ""
        rest = f" and for {len(more) - MOST_NAMED} orders more" * (len(more) > MOST_NAMED)
        above = ", those above counted" if self.allotted else ""
        said = f"Some may fail: so that enough end good, start {', '.join(more[:MOST_NAMED])}{rest}{above}"
        free = len(self.allotted) + len(self.spare)
        if sum(one.to_start for one in self.starts) <= free:
            return said
        return (
            f"{said}; {counted(free, 'reed') if free else 'no reed'} {'is' if free < 2 else 'are'} free for all orders"
        )


@dataclass(frozen=True, slots=True)
class _Table:
    """Stock against orders: forecasts and costs in minutes (reeds, orders), infinite where the weight forbids it or the
    reed would hardly end good."""

    forecasts: list[list[Forecast]]
    cost: list[list[float]]


def allot(
    session: Session,
    names: Sequence[str] = (),
    *,
    begun: bool = False,
    pitches_hz: tuple[float, float] | None = None,
    at_s: float | None = None,
) -> Allotment:
    """Which reed of the stock for which order, at the least expected cost in all; all open orders without `names`.

    begun: reeds that were cut already count too: those in work for these orders, and those put to stock. pitches_hz:
    from, to: what the same orders would cost all at one pitch. at_s: as of that moment, as for `ask.ask_reed`.
    InputError for an order the log does not know.
    """
    for end, hz in zip(("--pitch-from", "--pitch-to"), pitches_hz or (), strict=False):
        within(end, hz, bounds="as_low_a_hz")
    if pitches_hz is not None and pitches_hz[0] > pitches_hz[1]:
        raise InputError("the lower pitch comes first", "--pitch-from", "as --pitch-from 474 --pitch-to 480")
    journal = session.journal
    progress = {one.order: one for one in order_progress(journal, "0000-00-00", at_s)}
    wanting = [order_named(journal, name) for name in dict.fromkeys(names)]
    if not names:
        orders = journal.orders()
        wanting = [orders[name] for name, one in progress.items() if one.is_open]
    asked, places = wanting, [_places(progress[one.order], begun) for one in wanting]
    wanting, wanted = [o for o, n in zip(asked, places, strict=True) if n], [n for n in places if n]
    stock = _stock(journal, wanting, begun, at_s)
    left_out = _cut_words(journal, stock, at_s) if wanting and not begun else ()
    if not stock or not asked:
        short = tuple(Short(o.order, n, 0, "no reed is free") for o, n in zip(wanting, wanted, strict=True))
        empty_minutes = sum(wanted) * session.settings.cost_outside_minutes
        return Allotment((), short, tuple(h.reed.record.reed for h in stock), empty_minutes, notes=left_out)
    session.fit_if_due()
    bench = session.bench(at_s)
    at = _at_pitches(bench, stock, wanting, wanted, _pitches_between(*pitches_hz)) if pitches_hz is not None else ()
    table = _table(bench, stock, wanting)
    way, minutes = _assigned(bench, table.cost, wanted)
    unread = chanter_word(bench, *(order.chanter for order in wanting))
    return Allotment(
        tuple(_allotted(bench, stock, wanting, table, way)),
        tuple(_short(stock, wanting, wanted, table, way)),
        tuple(h.reed.record.reed for h, order in zip(stock, way, strict=True) if order is None),
        minutes,
        tuple(_spare_why(table, i) for i, order in enumerate(way) if order is None),
        tuple(note for note in (unread, each_alone(bench, wanting), *left_out) if note),
        at,
        min(at, key=lambda one: one.minutes).pitch_hz if any(one.good for one in at) else None,
        () if begun else _starts(bench, stock, wanting, table, [progress[one.order] for one in asked]),
    )


def _places(progress: Progress, begun: bool) -> int:
    """How many reeds an order wants now, those in work for it among them where they are dealt out anew."""
    if progress.wanted is None:
        return 0 if progress.in_work and not begun else 1
    return progress.wanted if begun else max(progress.wanted - progress.in_work, 0)


def _stock(journal: Journal, orders: Sequence[Order], begun: bool, until_s: float | None = None) -> list[ReedHistory]:
    """The reeds that may be put to these orders, counted up: free blanks; with `begun` those in work for them, and cut
    ones of the stock."""
    free = {h.reed.record.reed: h for h in stock_for(journal, Order("", ""), until_s, begun=begun)}
    if begun:
        named = {order.order for order in orders}
        waiting = journal.of_reeds(None, open_only=True, until_s=until_s)
        free |= {h.reed.record.reed: h for h in waiting if h.order is not None and h.order.order in named}
        free |= {h.reed.record.reed: h for h in journal.of_reeds(_loose(journal, until_s), until_s=until_s)}
    return [free[name] for name in sorted(free, key=as_counted)]


def _loose(journal: Journal, until_s: float | None) -> list[str]:
    """The reeds at the bench that have no order, cut or not; until_s: as the log stood at that instant."""
    left = journal.columns("outcome", ["reed", "at_s"])
    gone = {reed for reed, at_s in left if until_s is None or at_s <= until_s}
    return [reed for reed, order in journal.columns("reed", ["reed", "order"]) if not order and reed not in gone]


def _cut_words(journal: Journal, stock: Sequence[ReedHistory], until_s: float | None) -> tuple[str, ...]:
    """That there are cut reeds which only `begun` would count, where there are any."""
    with_cut = {h.reed.record.reed for h in stock_for(journal, Order("", ""), until_s, begun=True)}
    cuts = journal.columns("trim", ["reed", "at_s"], reeds=_loose(journal, until_s))
    with_cut |= {reed for reed, at_s in cuts if until_s is None or at_s <= until_s}
    count = len(with_cut - {h.reed.record.reed for h in stock})
    if not count:
        return ()
    who, them = ("reed in stock or without an order is", "it")
    if count > 1:
        who, them = ("reeds in stock or without an order are", "them")
    return (f"{count} cut {who} left out (trimfit allot --begun counts {them})",)


def _table(bench: Bench, stock: Sequence[ReedHistory], orders: Sequence[Order]) -> _Table:
    """Every reed of the stock against every order. Orders that ask for the same are worked out once."""
    asked = {order: (order.chanter, order.pressure_kpa, order.target_pitch_hz) for order in orders}
    distinct = {key: order for order, key in asked.items()}
    chanters = sorted({order.chanter for order in orders})
    at = {h.reed.record.reed: i for i, h in enumerate(stock)}
    batches = sorted({(h.reed.record.reed_type, h.reed.record.batch) for h in stock})
    known = [h.reed.record.weight for h in stock if h.reed.record.weight]
    forecasts: list[list[Forecast]] = [[] for _ in stock]
    cost: list[list[float]] = [[] for _ in stock]
    for done, (reed_type, batch) in enumerate(batches, 1):
        by_key: dict[str, dict[tuple[object, ...], Forecast]] = {}
        for some in together(bench, chanters):
            seen = bench.see_batch(reed_type, batch, some, only=at).values()
            here = {key: order for key, order in distinct.items() if order.chanter in some}
            pairs = [(one, bench.aim(one, order)) for one in seen for order in here.values()]
            found = iter(forecast_of(bench, pairs))
            for one in seen:
                by_key.setdefault(one.name, {}).update((key, next(found)) for key in here)
        for name, of_reed in by_key.items():
            i, weight = at[name], stock[at[name]].reed.record.weight
            forecasts[i] = [of_reed[asked[order]] for order in orders]
            cost[i] = [
                forecast.minutes + weight_minutes(bench, weight, order.weight, known)
                if forecast.good >= HARDLY
                else float("inf")
                for order, forecast in zip(orders, forecasts[i], strict=True)
            ]
        bench.tell("looking through the stock", done, len(batches))
    return _Table(forecasts, cost)


def together(bench: Bench, chanters: Sequence[str]) -> list[list[str]]:
    """Chanters as they are asked about: each as `pick` has it. What was stated of one tells of the others too, so that
    it is asked about by itself."""
    alone = [name for name in chanters if bench.at_hand.stated(name)]
    rest = [name for name in chanters if name not in alone]
    return [[name] for name in alone] + [rest[i : i + AT_ONCE] for i in range(0, len(rest), AT_ONCE)]


def _assigned(bench: Bench, cost: list[list[float]], wanted: Sequence[int]) -> tuple[list[int | None], float]:
    """Which order each reed goes to, and the minutes in all. Of reeds that cost the same in every order, to a
    thousandth of a minute, the first go first: what differs beyond that is no difference between them."""
    rounded = np.round(np.array(cost), 3)
    way, minutes = assigned(rounded, wanted, bench.settings.cost_outside_minutes)
    alike: dict[tuple[float, ...], list[int]] = {}
    for i, row in enumerate(rounded.tolist()):
        alike.setdefault(tuple(row), []).append(i)
    for reeds in alike.values():
        goes = sorted((way[i] for i in reeds), key=lambda column: len(wanted) if column is None else column)
        for i, column in zip(reeds, goes, strict=True):
            way[i] = column
    taken = [(i, column) for i, column in enumerate(way) if column is not None]
    return way, minutes + sum(cost[i][column] - float(rounded[i, column]) for i, column in taken)


def _allotted(
    bench: Bench, stock: Sequence[ReedHistory], orders: Sequence[Order], table: _Table, way: Sequence[int | None]
) -> list[Allotted]:
    """The pairs that were chosen, order by order, in words."""
    out: list[Allotted] = []
    goes = {
        h.reed.record.reed: orders[column].chanter for h, column in zip(stock, way, strict=True) if column is not None
    }
    of_batch: dict[tuple[str, str], list[str]] = {}
    for record in (h.reed.record for h in stock if h.reed.record.reed in goes):
        of_batch.setdefault((record.reed_type, record.batch), []).append(record.reed)
    seen_as: dict[str, Seen] = {}
    for batch, reeds in sorted(of_batch.items()):
        for some in together(bench, sorted({goes[reed] for reed in reeds})):
            seen_as |= bench.see_batch(*batch, some, only={reed for reed in reeds if goes[reed] in some})
    for history, forecasts, costs, column in zip(stock, table.forecasts, table.cost, way, strict=True):
        if column is None:
            continue
        order, forecast, record = orders[column], forecasts[column], history.reed.record
        seen = seen_as[record.reed]
        aim = bench.aim(seen, order)
        unknown = order.weight is not None and record.weight is None
        known = cuts_known(bench, seen, aim, forecast)
        said = promise(bench, seen, aim, forecast, known)
        words = [*said, f"nobody said whether it is {order.weight}" if unknown else ""]
        out.append(
            Allotted(
                order.order,
                order.chanter,
                record.reed,
                round(forecast.need_mm, 3),
                cuts_of(forecast),
                forecast.good,
                hz_interval(*bench.posterior(seen, aim).meeting()),
                costs[column],
                "; ".join(word for word in words if word),
                last_crow_hz(history),
                record.reed_type,
                record.weight,
                forecast.bench_minutes,
                known,
            )
        )
    place = {order.order: i for i, order in enumerate(orders)}
    return sorted(out, key=lambda one: (place[one.order], -round(one.chance_good, 2), as_counted(one.reed)))


def _starts(
    bench: Bench, stock: Sequence[ReedHistory], orders: Sequence[Order], table: _Table, asked: Sequence[Progress]
) -> tuple[Start, ...]:
    """How many more reeds to start for each of the orders asked after, by the forecasts that `pick` rests that on."""
    in_work: dict[str, list[ReedHistory]] = {}
    for history in bench.journal.of_reeds(None, open_only=True, until_s=bench.until_s):
        if history.order is not None:
            in_work.setdefault(history.order.order, []).append(history)
    known, column_of = bench.journal.orders(), {order.order: column for column, order in enumerate(orders)}
    out = []
    for one in (one for one in asked if one.wanted):
        order = known[one.order]
        reeds = seen_of(bench, in_work.get(one.order, []), order)
        mine, wanted = {seen.name for seen in reeds}, one.wanted or 0
        own = list(zip(reeds, forecast_of(bench, [(seen, bench.aim(seen, order)) for seen in reeds]), strict=True))
        rows = [i for i, h in enumerate(stock) if of_weight(h, order) and h.reed.record.reed not in mine]
        if one.order in column_of:
            column = column_of[one.order]
            key = {i: (table.forecasts[i][column], table.cost[i][column], stock[i].reed.record.reed) for i in rows}
            rows = sorted(rows, key=lambda i: offered_by(*key[i]))
            free = [table.forecasts[i][column] for i in rows]
            first = None if not rows else bench.see_reed(stock[rows[0]].reed.record, [order.chanter])
        else:  # as many are in work as are wanted: the table has no place for it
            blanks = seen_of(bench, [stock[i] for i in rows], order)
            of = forecast_of(bench, [(seen, bench.aim(seen, order)) for seen in blanks])
            free, first = cheapest_first(list(zip(blanks, of, strict=True)))
        need = need_of(bench, order, wanted, own, free, first)
        if need.to_start is not None:
            out.append(Start(one.order, max(wanted - len(mine), 0), need.to_start, need.free_blanks or 0))
    return tuple(out)


def _short(
    stock: Sequence[ReedHistory],
    orders: Sequence[Order],
    wanted: Sequence[int],
    table: _Table,
    way: Sequence[int | None],
) -> list[Short]:
    out = []
    for column, (order, count) in enumerate(zip(orders, wanted, strict=True)):
        found = sum(taken == column for taken in way)
        if found == count:
            continue
        fits = [i for i, history in enumerate(stock) if of_weight(history, order)]
        left = [i for i in fits if way[i] is None]
        if left:
            best = max(left, key=lambda i: table.forecasts[i][column].good)
            chance = 100 * table.forecasts[best][column].good
            name = short(stock[best].reed.record.reed)
            why = f"the best reed left, {name}, would end good with a chance of {chance:.0f} %"
        elif not fits:
            why = f"no free reed is {short(order.weight or '')}"
        elif max(table.forecasts[i][column].good for i in fits) < HARDLY:
            why = "hardly any free reed would end good for it"
        else:
            why = "no reed is left for it"
        out.append(Short(order.order, count, found, why))
    return out


def _spare_why(table: _Table, reed: int) -> str:
    able = [one for one, cost in zip(table.forecasts[reed], table.cost[reed], strict=True) if cost < float("inf")]
    if able and min(one.sharp for one in able) > SHARP:
        return "likely past for these orders"
    if able or not table.forecasts[reed]:
        return "not needed for one reed a place"
    best = max(one.good for one in table.forecasts[reed])
    return "of another weight" if best >= HARDLY else "fit for none of these orders"


def _pitches_between(low_hz: float, high_hz: float, most: int = MOST_PITCHES) -> list[float]:
    """Pitches to try for all orders, so many at the most."""
    step = max(PITCH_STEP_HZ, (high_hz - low_hz) / (most - 1))
    return [low_hz + number * step for number in range(int((high_hz - low_hz) / step + 1e-9) + 1)]


def _at_pitches(
    bench: Bench,
    stock: Sequence[ReedHistory],
    orders: Sequence[Order],
    wanted: Sequence[int],
    pitches_hz: Sequence[float],
) -> tuple[AtPitch, ...]:
    """The same orders all at one pitch, for each of these."""
    every = [replace(order, target_pitch_hz=pitch) for pitch in pitches_hz for order in orders]
    table = _table(bench, stock, every)
    out = []
    for number, pitch in enumerate(pitches_hz):
        of = slice(number * len(orders), (number + 1) * len(orders))
        way, minutes = _assigned(bench, [row[of] for row in table.cost], wanted)
        taken = [table.forecasts[i][of][column] for i, column in enumerate(way) if column is not None]
        good, work_minutes = sum(one.good for one in taken), sum(one.bench_minutes for one in taken)
        out.append(AtPitch(pitch, minutes, good, work_minutes, sum(wanted) - len(taken)))
    return tuple(out)


def pitch_curve(session: Session, bench: Bench) -> PitchCurve | None:
    """What the open orders that ask for about one pitch would cost at it and at pitches near it, reeds in work for them
    and those of the stock counted; None where no two do. Where a stock is large, fewer pitches are tried."""
    orders = session.journal.orders()
    asking = [
        (orders[one.order], _places(one, begun=True))
        for one in order_progress(session.journal, "0000-00-00")
        if one.is_open and orders[one.order].target_pitch_hz
    ]
    asking = [(order, places) for order, places in asking if places]
    sets = [
        [(order, places) for order, places in asking if 0.0 <= (order.target_pitch_hz or 0.0) - low <= ONE_SET_HZ]
        for low in sorted({order.target_pitch_hz or 0.0 for order, _ in asking})
    ]
    largest = max(sets, key=len, default=[])
    if len(largest) < 2:
        return None
    together, wanted = [order for order, _ in largest], [places for _, places in largest]
    stock = _stock(session.journal, together, begun=True, until_s=bench.until_s)
    targets = [order.target_pitch_hz or 0.0 for order in together]
    distinct = len({(order.chanter, order.pressure_kpa) for order in together})
    most = min(MOST_PITCHES, MOST_PAIRS // max(len(stock) * distinct, 1))
    if not stock or most < LEAST_PITCHES:
        return None
    pitches = _pitches_between(min(targets) - BESIDE_HZ, max(targets) + BESIDE_HZ, most)
    at = _at_pitches(bench, stock, together, wanted, pitches)
    if not any(one.good for one in at):
        return None
    return PitchCurve(tuple(order.order for order in together), tuple(targets), sum(wanted), at)


def take_allotted(session: Session, found: Allotment) -> list[str]:
    """Put every allotted reed to its order, in one transaction; the names of those that were not in it before."""
    return put_to(session, [(one.reed, one.order) for one in found.allotted])
