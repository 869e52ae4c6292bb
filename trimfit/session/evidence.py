"""What stands behind an answer: which readings a reed has, and which answers they allow.

The planner weighs minutes; it may find that a reed is best handed over, or given up, on predictions alone. A maker
hears `finished`, `past` and `no-fit` as things that were measured. So here: nothing of the kind before F and E were
read together, none on one doubtful reading, none on a reed not read in its chanter since its last cut; no cut of a reed
not read since an event; neither of one whose readings are at odds with each other; and a reed that was never read is
sent to the chanter before the planner is asked. A shop that knows type and chanter may cut by the crow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from trimfit.base.errors import command, short
from trimfit.base.iso_dates import DAY_S, local_minute, own_minute
from trimfit.base.normal import Z90
from trimfit.base.pitch import OUTPUTS, hz_from_cents
from trimfit.base.records import Action, Logged, Reading, ReedHistory
from trimfit.base.units import Interval
from trimfit.planner.aim import Aim, AimPosterior, interval_of
from trimfit.planner.chance_past import UNLIKELY, can_close, chance_over
from trimfit.planner.choice import MOST_BARRED, Choice, Rules, Unconfirmed, choose
from trimfit.planner.lip_work import may_meet
from trimfit.planner.policy_table import MOST_READINGS
from trimfit.planner.reasons import AT_ODDS, FEW_REEDS, NO_LENGTH_REASON, Grounds, Here, at_odds
from trimfit.regression.curve import KNOTS_MM, UNIT_MM, bent_mm, slope_at
from trimfit.regression.design import a_imbalance_cents, balance_weight
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.movement.process import SITTING_DAYS
from trimfit.regression.outputs import GAP, K
from trimfit.regression.readings.rows import reading_cents

if TYPE_CHECKING:
    from trimfit.session.open_log import Bench, Seen

FINAL = ("finished", "past", "no-fit")
# So many readings after an event stand for themselves: the event is no longer worth a word. An assumption, no source.
OUTWEIGH = 3
# Six readings of the same reed lie no further apart than so many of their standard deviations in nineteen cases of
# twenty (the studentized range with many degrees of freedom, any table of it).
RANGE_SDS = 4.03
CROW_KNOWN_CENTS = 50.0
"""A crow to stop at is said where nine in ten lie within so much, half a semitone; cents."""
LENGTH_DOUBT = "trim-long"
HARDLY_ANSWERS = 1.0 / 3.0
"""Of what a cut does to its type, so little is worth a word."""
KNOWN_TAPE_CENTS = 4.0
"""Standard deviation of a tape's shift up to which a reading with it on tells the gap as any other."""
CONTRADICTS = "misread-or-moved", "other-reed"
"""Doubts of a reading against what was predicted of its reed (`entry.checks`)."""


def gap_readings(readings: tuple[Logged[Reading], ...], model: FittedModel) -> list[Logged[Reading]]:
    """Those readings that tell the gap: they have F and E both, untaped or with a tape whose shift is known to
    KNOWN_TAPE_CENTS."""
    both = {"f", "e"}

    def known(reading: Reading, note: str) -> bool:
        chanters = model.coding.chanters
        tape = (chanters.index(reading.chanter) if reading.chanter in chanters else -1), OUTPUTS.index(note)
        return tape in model.tapes and model.tape_cents(model.tapes.index(tape))[1] <= KNOWN_TAPE_CENTS

    return [
        r
        for r in readings
        if both <= r.record.notes_hz.keys() and all(known(r.record, note) for note in both & set(r.record.taped))
    ]


def _apart_cents(reading: Reading, bench: Bench) -> float:
    """How far a reading's high A stands over its low A, where the model counts the reading for less because of it,
    else 0."""
    y = np.array([reading_cents(reading, bench.scale)])
    even = balance_weight(y, bench.model.coding)[0] == 1.0
    return 0.0 if even else float(a_imbalance_cents(y)[0])


def grounds(bench: Bench, seen: Seen, aim: Aim) -> Grounds:
    """What an answer about this reed leans on."""
    history = seen.history
    with_notes = [r for r in history.readings if r.record.notes_hz]
    off = _apart_cents(with_notes[-1].record, bench) if with_notes else 0.0
    both = gap_readings(history.readings, bench.model)
    last_cut_s = max((trim.at_s for trim in history.trims), default=float("-inf"))
    read_in = aim.worked_in or aim.chanter
    there = [r for r in both if not read_in or r.record.chanter in (None, read_in)]
    since = [r for r in there if r.at_s > last_cut_s]
    event = history.events[-1] if history.events else None
    lasting = since if event is None else [r for r in since if r.at_s >= event.at_s]
    gaps, worked = _gaps_since(bench, seen, lasting), bool(history.trims)
    low = tuple(_which(r.record, history) for r in history.readings if r.entry in seen.low_weight)
    only = since[0] if len(since) == 1 else None
    marked = only is not None and (
        bool(only.doubts) or only.entry in seen.low_weight or (off != 0.0 and only is with_notes[-1])
    )
    assumed = None
    if both and aim.pressure_kpa is not None and both[-1].record.pressure_kpa is None:
        assumed = (bench.settings.bench_pressure_kpa, aim.pressure_kpa)
    after = [r for r in both if event is not None and r.at_s >= event.at_s]
    chanter = bench.at_hand.chanter(aim.chanter) if aim.chanter else None
    unread = (
        bool(aim.chanter) and not (chanter and chanter.meeting_pitch_hz) and not bench.at_hand.read(aim.chanter or "")
    )
    unread = unread and aim.worked_in is None
    return Grounds(
        readings=len(history.readings),
        notes_read=len(with_notes),
        reed_type=history.reed.record.reed_type,
        reeds_of_type=seen.reeds_of_type,
        a_apart_cents=off,
        gap_read=len(both),
        since_cut=len(since),
        doubtful=marked,
        # an event since the reading before explains what contradicts it
        unconfirmed=len(gaps) == 1
        and not (event is not None and len(after) == 1)
        and any(doubt.partition(":")[0] in CONTRADICTS for doubt in lasting[-1].doubts),
        low_weight=() if off else low,
        set_aside=tuple(
            _which(r.record, history) for r in lasting if r.entry in set(seen.state.set_aside) - set(seen.low_weight)
        ),
        kpa_assumed=assumed if assumed and abs(assumed[0] - assumed[1]) >= 0.05 else None,
        chanter_unread=(aim.chanter or "") if unread else "",
        idle_days=seen.state.idle_days,
        event=f"{short(event.record.event)} {own_minute(event.record.at)}" if event and len(after) < OUTWEIGH else "",
        event_read=bool(after),
        gaps_cents=gaps,
        worked=worked,
        apart_cents=RANGE_SDS * _reading_sd(seen),
        ahead=_ahead(bench, history),
        hardly_answers=_hardly_answers(bench, seen),
        length_doubted=_length_doubted(bench, history),
        no_chanter=both[-1].entry if both and not aim.chanter and bench.journal.count("chanter") else "",
        first_in=(read_in or "") if both and not there else "",
        taped_alone=not both and any({"f", "e"} <= r.record.notes_hz.keys() for r in with_notes),
        supposed_away=aim.chanter if aim.worked_in and aim.chanter and bench.at_hand.supposed_away(aim.chanter) else "",
    )


def _ahead(bench: Bench, history: ReedHistory) -> str:
    """The last entry of a reed that lies ahead of the moment asked about, in words; empty where none does."""
    from trimfit.entry.entry_times import CLOCKS_APART_S, entries_of

    last, zone = entries_of(history)[-1:], bench.settings.time_zone
    return next(
        (f"{one.word} of {local_minute(one.at, zone)}" for one in last if one.at_s > bench.at_s + CLOCKS_APART_S), ""
    )


def _which(reading: Reading, history: ReedHistory) -> str:
    """The minute in which a reading was taken, and of several in it what it read."""
    minute = reading.taken_at[:16]
    alone = sum(one.record.taken_at[:16] == minute for one in history.readings) == 1
    read = [f"{note.upper()} {reading.notes_hz[note]:.1f}" for note in ("f", "e") if note in reading.notes_hz]
    read = read or ([f"crow {reading.crow_hz:.1f} Hz"] if reading.crow_hz else [])
    return minute.replace("T", " ") + ("" if alone or not read else f" ({', '.join(read)})")


def _gaps_since(bench: Bench, seen: Seen, since: list[Logged[Reading]]) -> tuple[float, ...]:
    """The gaps (cents) of those readings since the last work that are of the latest sitting, in order of time. One that
    no reed has, as of F and E swapped, is none."""
    from trimfit.base.pitch import as_low_a_cents
    from trimfit.entry.checks import GAP_WIDE_CENTS

    gaps: list[float] = []
    before_s = 0.0
    for one in since:
        f, e = (as_low_a_cents(note, one.record.notes_hz[note], bench.scale) for note in ("f", "e"))
        if abs(f - e) > GAP_WIDE_CENTS:
            continue
        gaps = [*gaps, f - e] if one.at_s - before_s <= SITTING_DAYS * DAY_S else [f - e]
        before_s = one.at_s
    return tuple(gaps)


def _reading_sd(seen: Seen) -> float:
    """The standard deviation of the gap of one reading by its own error, cents."""
    return math.sqrt(float(GAP @ seen.state.noise_cov @ GAP))


def here_of(bench: Bench, seen: Seen, posterior: AimPosterior, aim: Aim) -> Here | None:
    """What to work to in the chanter at hand; None unless the aim's is away. The gap is over all explanations of the
    latest readings, as the answer's is.

    A cut moves the gap there and here alike, so that as far as it is from the stop there, so far it is here. The crow
    is left out where it is hardly known so far on, and where it would be under the present one: no cut lowers it.
    """
    if aim.worked_in is None:
        return None
    others = bench.others(seen, aim)
    each = [(1.0 - sum(one.chance for one in others), posterior), *((one.chance, one.posterior) for one in others)]
    chance, mean, var = np.array([(p, float(one.here_mean[0]), float(one.here_var[0])) for p, one in each]).T
    gap = interval_of(chance, mean, var)
    now, then, then_sd = crow_at_stop(seen, posterior, aim.worked_in)
    error = Z90 * math.sqrt(float(seen.state.noise_cov[0, 0]))
    said = Z90 * then_sd <= CROW_KNOWN_CENTS and then >= now - error
    stop = float(posterior.here_mean[0]) + posterior.stop_cents - float(posterior.mean[0])
    return Here(aim.worked_in, gap, stop, hz_from_cents(then) if said else None)


def crow_at_stop(seen: Seen, posterior: AimPosterior, read_in: str) -> tuple[float, float, float]:
    """The crow now, and where the work stops with its standard deviation, as the log predicts it: cents from 440 Hz."""
    state = seen.state
    lengths = (seen.removed_mm, seen.removed_mm + posterior.need_mm())
    mean, cov = state.outputs(np.array([state.design(mm, seen.lip_strokes, read_in)[0] for mm in lengths]))
    return float(mean[0]), float(mean[1]), math.sqrt(max(float(cov[1, 1]), 0.0))


def _length_doubted(bench: Bench, history: ReedHistory) -> str:
    """The doubt about the length of a reed's trim that still stands, as a sentence with its remedy; the last one's: as
    it was said when the trim was logged, or by the rule that `check` marks others by."""
    from trimfit.entry.checks import long_trim

    reed_type = history.reed.record.reed_type
    for trim in reversed(history.trims):
        if not trim.record.length_mm:
            continue
        doubts = (doubt.partition(": ") for doubt in trim.doubts)
        said = next((sentence for kind, _, sentence in doubts if kind == LENGTH_DOUBT), "")
        if said := said or long_trim(trim.record, bench.cuts_mm(reed_type), reed_type):
            meant = said.rpartition("did you mean ")[2].rstrip("?") if "did you mean" in said else "MM"
            return f"{said} If it is wrong: {command('log', 'amend', trim.entry, f'length={meant}')}"
    return ""


def _hardly_answers(bench: Bench, seen: Seen) -> str:
    """That a reed that was cut answers a cut less than a third as much as its type does there, by the gap, and how
    little: since it was new, where that is so little too, else where it stands; empty for others."""
    if not any(trim.record.length_mm for trim in seen.history.trims):
        return ""
    model, code = bench.model, seen.type_code
    beta = model.type_coef(code if code < model.n_types else -1)
    g = float(bent_mm(np.array([seen.removed_mm]), seen.state.curve)[0])

    def slopes(bend: float) -> tuple[float, float]:
        mean = seen.state.mean
        return float(GAP @ (mean[K : 2 * K] + bend * mean[2 * K : 3 * K])), float(GAP @ (beta[1] + bend * beta[2]))

    (own, usual), (own_since, usual_since), (_, at_first) = slopes(2.0 * g), slopes(g), slopes(UNIT_MM)
    if own >= HARDLY_ANSWERS * usual:
        return ""
    mean_slope = g / float(seen.removed_mm)
    if seen.removed_mm > KNOTS_MM[-1]:  # so far on no type is known
        return f"so far a mm {_closed(own_since * mean_slope)}; at first its type's closes it by {at_first:.0f}"
    if own_since < HARDLY_ANSWERS * usual_since:
        return f"so far a mm {_closed(own_since * mean_slope)}; its type's closes it by {usual_since * mean_slope:.0f}"
    steep = float(slope_at(np.array([seen.removed_mm]), seen.state.curve)[0])
    return (
        f"here a mm {_closed(own * steep, past='closes', opens='opens')}; its type's closes it by {usual * steep:.0f}"
    )


def _closed(cents: float, past: str = "closed", opens: str = "opened") -> str:
    """`closed its gap by 10 cents`."""
    size = f"{abs(cents):.{int(abs(cents) < 2.0)}f}"
    return f"{opens if cents < 0.0 else past} its gap by {size} cent{'' if size == '1' else 's'}"


def moved_by_itself(seen: Seen) -> Interval | None:
    """How far the gap has moved by itself since the sitting before, cents: mean and 90 % interval over all explanations
    of the latest readings, that it jumped among them, as the gap has it. None where there was no sitting before, or an
    event was logged since it."""
    others = sum(one.chance for one in seen.explanations)
    states = [(1.0 - others, seen.state), *((one.chance, one.state) for one in seen.explanations)]
    moved = [(chance, *found) for chance, state in states if (found := state.moved_gap()) is not None]
    if len(moved) < len(states):
        return None
    read = [reading.at_s for reading in seen.history.readings]
    parted = [one for one, other in pairwise(read) if other - one > SITTING_DAYS * DAY_S]
    since_s = read[-1] if seen.state.idle_days > 0.0 else max(parted, default=-math.inf)
    if any(event.at_s >= since_s for event in seen.history.events):
        return None
    chance, mean, sd = np.array(moved).T
    return interval_of(chance, mean, np.maximum(sd, 1e-6) ** 2)


def decide(bench: Bench, seen: Seen, posterior: AimPosterior, aim: Aim, ground: Grounds) -> Choice:
    """The planner's next step, where the readings allow it; else to read the reed, with the reason for that."""
    table = bench.policy(seen.type_code, posterior)
    rules = replace(bench.rules(), longest_mm=bench.longest_cut_mm(ground.reed_type))
    if ground.gap_read == 0:
        return _from_kin(bench, seen, posterior, aim, ground, rules)
    others = bench.others(seen, aim)
    readings = ground.since_cut if ground.idle_days == 0.0 else 0
    choice = choose(posterior, aim, table, rules, others, readings)
    if ground.event and not ground.event_read and choice.reason != "blade":
        # nothing that was read before it says where the reed stands now
        return choice if choice.action == "read-again" else as_it_stands(choice, "event?")
    unread = ground.since_cut == 0
    if unread and choice.reason in ("vague", "alone", "moved") and seen.history.trims:
        return replace(choice, reason="since-cut?")
    # by its mean a cut that is advised may open the gap, where only an unlikely slope closes it; how the reed settles
    # until the next time is not the cut's doing
    after_cents = choice.gap_after_cents.mean - float(posterior.wait_mean[0])
    opens = choice.length_mm > 0.0 and after_cents < choice.gap_now_cents.mean
    if choice.action not in FINAL and (opens or not _can_close(posterior, aim, others)):
        # a length that may be a slip is settled first, but no reed is read for ever
        enough = MOST_READINGS if ground.length_doubted else 2
        settled = ground.since_cut >= enough and not ground.doubtful
        return as_it_stands(choice, NO_LENGTH_REASON, "no-fit" if settled else "read-again")
    if at_odds(ground) and ground.since_cut < MOST_BARRED and choice.reason != "blade":
        return as_it_stands(choice, AT_ODDS)
    if choice.action == "trim" and ground.unconfirmed:
        return as_it_stands(choice, "unconfirmed")
    if choice.action not in FINAL:
        return choice
    if unread:
        return as_it_stands(choice, "since-cut?")
    if ground.doubtful:
        return as_it_stands(choice, "doubtful?")
    off, sd = abs(choice.meet_mean_cents - (aim.target_cents or 0.0)), choice.meet_sd_cents
    if choice.action == "no-fit" and may_meet(np.array(off), np.array(sd), np.array(aim.tolerance_cents)):
        if off > Z90 * sd and ground.since_cut < 2:
            return as_it_stands(choice, "no-fit?")
        # so little is known of where it will meet that reading it as it stands tells no more: nearer the end it shows
        other = choose(posterior, replace(aim, target_cents=None), table, rules, others, readings)
        if other.action not in FINAL:
            return other
        return as_it_stands(choice, "no-fit?") if ground.since_cut < 2 else choice
    return choice


def _can_close(posterior: AimPosterior, aim: Aim, others: Sequence[Unconfirmed]) -> bool:
    """Whether a length may close the gap of a reed that is short, by an explanation of its readings that counts."""
    room = max(aim.most_removed_mm - posterior.removed_mm, 0.0)
    each = [posterior, *(other.posterior for other in others if other.chance > UNLIKELY)]
    return any(float(one.mean[0]) >= one.stop_cents - aim.tolerance_cents or can_close(one, room) for one in each)


def as_it_stands(choice: Choice, reason: str, action: Action = "read-again") -> Choice:
    """A choice with no cut in it."""
    return replace(
        choice,
        action=action,
        length_mm=0.0,
        lip_strokes=0,
        reason=reason,
        gap_after_cents=choice.gap_now_cents,
        chance_past=choice.chance_past_now,
    )


def _from_kin(bench: Bench, seen: Seen, posterior: AimPosterior, aim: Aim, ground: Grounds, rules: Rules) -> Choice:
    """A reed whose F and E were never read: to the chanter with it, or a cut by the crow where enough is known."""
    if ground.readings and ground.reeds_of_type >= FEW_REEDS and aim.chanter and not ground.chanter_unread:
        choice = choose(posterior, aim, bench.policy(seen.type_code, posterior), rules)
        if choice.action == "trim":
            return choice
    gap = posterior.gap(0.0, 0.0, rules.error)
    meet, meet_sd = posterior.meeting()
    past = float(chance_over(posterior, aim.tolerance_cents, np.zeros(1), 0.0, rules.error)[0])
    return Choice(
        action="read-again",
        length_mm=0.0,
        lip_strokes=0,
        gap_now_cents=gap,
        gap_after_cents=gap,
        meet_mean_cents=meet,
        meet_sd_cents=meet_sd,
        chance_past=past,
        chance_past_now=past,
        chance_good=0.0,
        reason="unread",
    )
