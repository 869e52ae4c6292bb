"""`ask` and `predict`: from the log to the next step of a reed, of the whole run, and to the next reading."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from trimfit.base.answers import Advice
from trimfit.base.iso_dates import DAY_S, is_date, now_s, text_of
from trimfit.base.natural_order import as_counted
from trimfit.base.normal import hz_interval
from trimfit.base.pitch import OUTPUTS
from trimfit.base.records import Order, ReedHistory
from trimfit.planner.aim import Aim, AimPosterior
from trimfit.planner.chance_past import chance_over
from trimfit.planner.choice import Choice
from trimfit.planner.reasons import GONE, NO_LENGTH_REASON, Grounds, leanings, reason, why
from trimfit.session.evidence import as_it_stands, decide, grounds, here_of, moved_by_itself
from trimfit.session.open_log import Bench, Seen
from trimfit.session.order_progress import Progress, came_back, order_named, order_progress
from trimfit.session.reed_forecasts import blade_room_mm, forecast_of, still_wanted
from trimfit.session.session import Session
from trimfit.verbs.wording import cuts_cell, impossible

MOST_CHANTERS = 12
SURELY_NOT_PAST, MAYBE_PAST = 0.1, 0.5
DONE = ("finished", "past", "no-fit")


def ask_reed(session: Session, reed: str, *, order: str | None = None, at_s: float | None = None) -> Advice:
    """What to do next with a reed, for its own order or as if it were for another.

    at_s: as of that moment (seconds since 1970 UTC), as the log stood then (see `open_log.Bench`); now if not said.
    Of a reed that left by then, good or lost: as of when it left (`as_left`).
    InputError for a reed or an order that the log does not know.
    """
    with session.reading():
        record = session.journal.reed_named(reed)
        aimed = None
        if order is not None:
            aimed = order_named(session.journal, order)
    session.fit_if_due()
    with session.reading():
        bench = session.bench(at_s)
        chanters = [aimed.chanter] if aimed is not None else []
        seen = bench.see_reed(record, chanters)
        advice = advise(bench, seen, aimed) if aimed is not None else advise(*as_left(bench, seen), gone=True)
        return replace(advice, came_back=came_back(seen.history))


def as_left(bench: Bench, seen: Seen) -> tuple[Bench, Seen]:
    """A reed that was called good or lost as it was when it left, whatever was logged of it since; any other as it is.
    Where only the day it left was said, that day's entries count."""
    history, outcome = seen.history, seen.history.outcome
    if outcome is None or outcome.record.outcome == "to-stock":
        return bench, seen
    day_s = DAY_S - 0.001 if is_date(outcome.record.at) else 0.0
    worked = (*(one.at_s for one in history.trims), *(one.at_s for one in history.events))
    entries_s = (*(one.at_s for one in history.readings), *worked)
    left_s = max(outcome.at_s, *(at_s for at_s in entries_s if at_s <= outcome.at_s + day_s), -math.inf)
    if bench.until_s is not None and bench.until_s <= left_s:
        return bench, seen
    then = bench.as_of(left_s)
    return then, then.see_reed(history.reed.record)


def ask_all(session: Session, *, at_s: float | None = None) -> list[Advice]:
    """The run's work list: every reed that has an order and no outcome, most urgent first, those done last.

    at_s: as of that moment, as for `ask_reed`; without the reeds that were made on a later day, in the machine's zone.

    Order: due date (none last), then how many good reeds the order still wants, then the reed nearest its end.
    """
    waiting = session.journal.of_reeds(None, open_only=True, until_s=at_s)
    if not waiting:
        return []
    session.fit_if_due()
    bench = session.bench(at_s)
    wanted = session.journal.good_of(sorted({h.order.order for h in waiting if h.order is not None}))
    history = {h.reed.record.reed: h for h in waiting}
    found = [advise(bench, seen) for seen in see_all(bench, waiting, step="working out the answers, batch")]
    return sorted(found, key=lambda advice: work_order(history[advice.reed], advice, wanted))


def see_all(
    bench: Bench, histories: Iterable[ReedHistory], chanters: Sequence[str] = (), *, step: str = ""
) -> Iterator[Seen]:
    """The posterior of each of these reeds, batch by batch. chanters: asked about besides; step: said as it goes on."""
    reeds = [history.reed.record for history in histories]
    names, batches = {one.reed for one in reeds}, sorted({(one.reed_type, one.batch) for one in reeds})
    for done, (reed_type, batch) in enumerate(batches, 1):
        yield from bench.see_batch(reed_type, batch, chanters, only=names).values()
        if step:
            bench.tell(step, done, len(batches))


def advice_of_batch(bench: Bench, reed_type: str, batch: str, names: Collection[str]) -> Iterator[Advice]:
    """What to do next with each reed of a batch that is named, one after another."""
    for seen in bench.see_batch(reed_type, batch, only=names).values():
        yield advise(bench, seen)


def open_orders(session: Session, *, at_s: float | None = None) -> list[Progress]:
    """The orders that still want something, soonest due first; not those a year overdue that nobody works at.

    at_s: as their reeds stood at that moment, whose day (in the machine's zone) decides what is overdue; now if not
    said. Reeds that were made on a later day do not count, as in `ask_all`. When an order came nobody logged: of a past
    moment those are left out that had no reed by then.
    """
    today = text_of(now_s() if at_s is None else at_s)[:10]
    long_ago = f"{int(today[:4]) - 1:04d}{today[4:]}"
    progress = order_progress(session.journal, today, at_s)
    past = at_s is not None and at_s < now_s()
    found = [one for one in progress if one.is_open and (one.has_reeds or not past)]
    return [one for one in found if one.in_work or not one.due_on or one.due_on >= long_ago]


def work_order(history: ReedHistory, advice: Advice | None, good: dict[str, int]) -> tuple[object, ...]:
    """A key that puts reeds in the order of the work list, those without advice yet last in their order. good: how many
    of each order left the bench good."""
    left = math.inf if advice is None or not advice.cuts_known else round(advice.trims_left, 1)
    last = (left, as_counted(history.reed.record.reed))
    order, urgency = history.order, ("9999", 0, "")
    if order is not None:
        urgency = order.due_on or "9998", good.get(order.order, 0) - (order.quantity or 0), order.order
    return (advice is not None and advice.action in DONE, *urgency, *last)


def advise(bench: Bench, seen: Seen, order: Order | None = None, *, gone: bool = False) -> Advice:
    """The next step for one reed as it is seen, for its own order or for another.

    gone: of a reed that left the bench none, whatever was still to be done: it is finished, or past or no fit as it is.
    """
    order = order or seen.history.order
    aim = bench.aim(seen, order)
    posterior = bench.posterior(seen, aim)
    ground, choice = weighed(bench, seen, posterior, aim)
    outcome = seen.history.outcome
    gone = gone and outcome is not None
    if gone and choice.action not in DONE:
        choice = as_it_stands(choice, GONE, "finished")
    (forecast,) = forecast_of(bench, [(seen, aim)])
    # of a reed that is given up, as it is: what more strokes might do does not count
    within = min(forecast.good, choice.chance_good) if choice.action == "no-fit" else forecast.good
    left = 0.0 if choice.action in DONE else max(forecast.cuts, float(choice.action == "trim"))
    need = still_wanted(posterior, aim)
    closes = choice.reason != NO_LENGTH_REASON and not ground.impossible
    if not closes:
        need = None
    cuts_known = need is not None or gone or choice.action in DONE
    left = left if closes else 0.0
    none_left = not closes or (cuts_known and cuts_cell(left) == "none")
    if not (cuts_known and closes) and not ground.impossible:
        ground = replace(ground, blade_room_mm=blade_room_mm(posterior, aim))
    gap_known = not ground.impossible
    record = seen.history.reed.record
    if choice.action == "trim":
        ground = replace(ground, longest_mm=bench.longest_cut_mm(record.reed_type))
    ground = replace(ground, here=here_of(bench, seen, posterior, aim), no_cut_left=none_left)
    if ground.here is not None and choice.action not in DONE:
        choice = replace(choice, chance_within=within, chance_past_end=forecast.past)
    other = suits(bench, seen, aim) if choice.action in ("past", "no-fit") and closes else ""
    return Advice(
        reed=seen.name,
        order=order.order if order is not None else None,
        action=choice.action,
        length_mm=choice.length_mm,
        lip_strokes=choice.lip_strokes,
        gap_now_cents=choice.gap_now_cents if gap_known else None,
        gap_after_cents=choice.gap_after_cents if gap_known else None,
        meet_pitch_hz=hz_interval(choice.meet_mean_cents, choice.meet_sd_cents) if need is not None else None,
        chance_past=choice.chance_past,
        trims_left=left,
        cuts_known=cuts_known,
        why=why(choice, aim, ground, other),
        reed_type=record.reed_type,
        batch=record.batch,
        chanter=aim.chanter,
        due_on=order.due_on if order is not None else None,
        quantity=order.quantity if order is not None else None,
        target_pitch_hz=order.target_pitch_hz if order is not None else None,
        pressure_kpa=aim.pressure_kpa,
        outcome=outcome.record.outcome if outcome is not None else None,
        gap_read=ground.gap_read > 0,
        reason=reason(choice, aim, ground, other),
        notes=tuple(leanings(ground, choice.action)),
        need_mm=need,
        moved_cents=moved_by_itself(seen),
        chance_within=within if closes and choice.reason != GONE else None,
        here=None if ground.here is None else ground.here.answer(),
        outcomes=bench.journal.outcomes_of(seen.name) if outcome is not None else (),
        is_it_away=ground.is_it_away(),
        first_in=ground.first_in,
        closes=closes,
    )


def weighed(bench: Bench, seen: Seen, posterior: AimPosterior, aim: Aim) -> tuple[Grounds, Choice]:
    """What an answer about a reed rests on, and the next step by it."""
    ground = grounds(bench, seen, aim)
    choice = decide(bench, seen, posterior, aim, ground)
    if ground.gap_read and not ground.since_cut:
        ground = replace(ground, impossible=_impossible_now(bench, seen, aim))
    return ground, choice


def _impossible_now(bench: Bench, seen: Seen, aim: Aim) -> str:
    """What is impossible of a reed as it is predicted to stand now (`wording.impossible`); empty if it may be so."""
    mean, _ = seen.state.outputs(seen.state.design(seen.removed_mm, seen.lip_strokes, aim.worked_in or aim.chanter))
    return impossible(dict(zip(OUTPUTS, mean.tolist(), strict=True)), bench.scale)


def suits(bench: Bench, seen: Seen, aim: Aim) -> str:
    """Another chanter of the shop that this reed would suit as it stands or with more off; empty if none is known."""
    known = bench.model.coding.chanters[: MOST_CHANTERS + 1]
    others = [name for name in known if name != aim.chanter][:MOST_CHANTERS]
    if not others:
        return ""
    again = bench.see_elsewhere(seen.history.reed.record, known)
    found: list[tuple[bool, float, str]] = []
    error = bench.rules().error
    for name in others:
        there = replace(aim, chanter=name, target_cents=None, worked_in=None, spaced_cents=None)
        posterior = bench.posterior(again, there)
        past = float(chance_over(posterior, aim.tolerance_cents, np.zeros(1), 0.0, error)[0])
        if past < MAYBE_PAST:
            sure = past < SURELY_NOT_PAST
            found.append((not sure, -float(posterior.mean[0]) if sure else past, name))
    if not found:
        return _least_unlikely(bench, again, others) if len(others) < MOST_CHANTERS else ""
    unsure, short, name = min(found)
    if unsure:
        return f"it may suit {name} as it is, past there too with a chance of {100 * short:.0f} %"
    need = "as it is" if short < aim.tolerance_cents else f"with F still {short:.0f} cents under E"
    return f"it would suit {name} {need}"


def _least_unlikely(bench: Bench, seen: Seen, others: Sequence[str]) -> str:
    """That none of these chanters is likely to take a reed, and which would soonest: by the chance `ask --others`
    shows."""
    record = seen.history.reed.record
    asked = [(bench.see_reed(record, [name]), Order("", name)) for name in others]
    chances = [one.good for one in forecast_of(bench, [(one, bench.aim(one, order)) for one, order in asked])]
    best = max(chances)
    if best < 0.005:
        return "no other chanter that the log knows would take it"
    name = others[chances.index(best)]
    return f"no other chanter that the log knows is likely to take it (best {name}, {100 * best:.0f} %)"
