"""`ask` and `predict`: from the log to the next step of a reed, of the whole run, and to the next reading."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from trimfit.answers import Advice, Foretold
from trimfit.errors import InputError, nearest
from trimfit.records import Order, ReedHistory
from trimfit.units import Interval

if TYPE_CHECKING:
    from trimfit.desk.beliefs import Bench, Seen
    from trimfit.plan.belief import Aim

__all__ = ["advise", "as_counted", "ask_all", "ask_reed", "foretell", "predict", "suits", "work_order"]

Tell = Callable[[str, int, int], None]
Z90 = 1.6448536269514722
MOST_CHANTERS = 12
SURELY_NOT_PAST, MAYBE_PAST = 0.1, 0.5
DONE = ("finished", "past", "no-fit")


def _quiet(step: str, done: int, whole: int) -> None:
    return None


def ask_reed(
    path: Path, reed: str, tell: Tell = _quiet, *, order: str | None = None, at_s: float | None = None
) -> Advice:
    """What to do next with a reed, for its own order or as if it were for another.

    at_s: as of that moment (seconds since 1970 UTC), as the log stood then (see `beliefs.Bench`); now if not said.
    InputError for a reed or an order that the log does not know.
    """
    from trimfit.bench.journal import Journal
    from trimfit.desk.beliefs import Bench

    with Journal(path) as journal:
        record = journal.of_reed(reed).reed.record
        aimed = None
        if order is not None:
            from trimfit.desk.picking import order_named

            aimed = order_named(journal, order)
        bench = Bench(journal, tell, at_s=at_s)
        chanters = [aimed.chanter] if aimed is not None else []
        return advise(bench, bench.see_reed(record, chanters), aimed)


def ask_all(path: Path, tell: Tell = _quiet, *, at_s: float | None = None) -> list[Advice]:
    """The run's work list: every reed that has an order and no outcome, most urgent first, those done last.

    at_s: as of that moment, as for `ask_reed`.

    Order: due date (none last), then how many good reeds the order still wants, then the reed nearest its end.
    """
    from trimfit.bench.journal import Journal
    from trimfit.desk.beliefs import Bench

    with Journal(path) as journal:
        waiting = journal.of_reeds(None, open_only=True, until_s=at_s)
        if not waiting:
            return []
        bench = Bench(journal, tell, at_s=at_s)
        wanted = journal.good_of(sorted({h.order.order for h in waiting if h.order is not None}))
        batches = {(h.reed.record.reed_type, h.reed.record.batch) for h in waiting}
        names = {h.reed.record.reed for h in waiting}
        found: list[tuple[tuple[object, ...], Advice]] = []
        for done, (reed_type, batch) in enumerate(sorted(batches), 1):
            for seen in bench.see_batch(reed_type, batch, only=names).values():
                advice = advise(bench, seen)
                found.append((work_order(seen.history, advice, wanted), advice))
            tell("asking after each batch", done, len(batches))
    return [advice for _, advice in sorted(found, key=lambda pair: pair[0])]


def work_order(history: ReedHistory, advice: Advice, good: dict[str, int]) -> tuple[object, ...]:
    """A key that puts reeds in the order of the work list. good: how many of each order left the bench good."""
    last = (round(advice.trims_left, 1), as_counted(advice.reed))
    return (advice.action in DONE, *_urgency(history, good), *last)


def as_counted(name: str) -> tuple[tuple[int, int, str], ...]:
    """A key that puts names in the order of counting: 2 before 10, R-9 before R-10."""
    parts = re.split(r"([0-9]+)", name)
    return tuple((0, int(part), part) if i % 2 else (1, 0, part) for i, part in enumerate(parts))


def _urgency(history: ReedHistory, good: dict[str, int]) -> tuple[object, ...]:
    order = history.order
    if order is None:
        return ("9999", 0, "")
    missing = (order.quantity or 0) - good.get(order.order, 0)
    return (order.due_on or "9998", -missing, order.order)


def advise(bench: Bench, seen: Seen, order: Order | None = None) -> Advice:
    """The next step for one reed as it is seen, for its own order or for another."""
    from trimfit.desk.evidence import decide, grounds
    from trimfit.pitch import hz_from_cents
    from trimfit.plan.words import leanings, reason, why

    order = order or seen.history.order
    aim = bench.aim(seen, order)
    belief = bench.belief(seen, aim)
    ground = grounds(bench, seen, aim)
    choice = decide(bench, seen, belief, aim, ground)
    record, outcome = seen.history.reed.record, seen.history.outcome
    if choice.action == "trim":
        ground = replace(ground, longest_mm=bench.longest_cut_mm(record.reed_type))
    other = suits(bench, seen, aim) if choice.action in ("past", "no-fit") else ""
    low = choice.meet_mean_cents - Z90 * choice.meet_sd_cents
    high = choice.meet_mean_cents + Z90 * choice.meet_sd_cents
    return Advice(
        reed=seen.name,
        order=order.order if order is not None else None,
        action=choice.action,
        length_mm=choice.length_mm,
        lip_strokes=choice.lip_strokes,
        gap_now_cents=choice.gap_now_cents,
        gap_after_cents=choice.gap_after_cents,
        meet_pitch_hz=Interval(hz_from_cents(choice.meet_mean_cents), hz_from_cents(low), hz_from_cents(high)),
        chance_past=choice.chance_past,
        trims_left=choice.trims_left,
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
        need_mm=belief.need(),
        moved_cents=_moved(seen),
        chance_within=choice.chance_within,
    )


def _moved(seen: Seen) -> Interval | None:
    """How far the gap has moved by itself since the sitting before (90 %), cents."""
    moved = seen.state.moved_gap()
    if moved is None:
        return None
    mean, sd = moved
    return Interval(mean, mean - Z90 * sd, mean + Z90 * sd)


def suits(bench: Bench, seen: Seen, aim: Aim) -> str:
    """Another chanter of the shop that this reed would suit as it stands or with more off; empty if none is known."""
    import numpy as np

    known = bench.card.coding.chanters[: MOST_CHANTERS + 1]
    others = [name for name in known if name != aim.chanter][:MOST_CHANTERS]
    if not others:
        return ""
    again = bench.see_elsewhere(seen.history.reed.record, known)
    found: list[tuple[bool, float, str]] = []
    error = bench.rules().error
    for name in others:
        there = replace(aim, chanter=name, target_cents=None)
        belief = bench.belief(again, there)
        past = float(belief.chance_over(aim.tolerance_cents, np.zeros(1), 0.0, error)[0])
        if past < MAYBE_PAST:
            sure = past < SURELY_NOT_PAST
            found.append((not sure, -float(belief.mean[0]) if sure else past, name))
    if not found:
        return "no other chanter that the log knows would take it" if len(others) < MOST_CHANTERS else ""
    unsure, short, name = min(found)
    if unsure:
        return f"it may suit {name} as it is, past there too with a chance of {100 * short:.0f} %"
    need = "as it is" if short < aim.tolerance_cents else f"with F still {short:.0f} cents under E"
    return f"it would suit {name} {need}"


def _conditions(seen: Seen) -> tuple[str | None, float | None, float | None]:
    """Chanter, pressure and temperature of the reed's last reading with notes (its order's chanter failing that)."""
    for logged in reversed(seen.history.readings):
        if logged.record.notes_hz:
            return logged.record.chanter, logged.record.pressure_kpa, logged.record.temperature_c
    last = seen.history.readings[-1].record if seen.history.readings else None
    chanter = seen.history.order.chanter if seen.history.order is not None else None
    return chanter, last.pressure_kpa if last else None, last.temperature_c if last else None


def _next_reading(  # type: ignore[no-untyped-def]
    bench: Bench, seen: Seen, length_mm: float, lip: float, air: tuple[str | None, float | None, float | None]
):
    """The next reading after a trim, over the explanations of the reed's latest ones: their shares (J,), its means
    (J, 11) and variances (J, 11): the ten outputs, then the gap, in cents.

    air: chanter, pressure in kPa and temperature in °C of that reading.
    """
    import numpy as np

    from trimfit.learn.curve import bent_mm, slope_at
    from trimfit.plan.belief import GAP

    chanter, kpa, deg_c = air
    removed = seen.removed_mm + length_mm
    sd_mm = float(bench.rules().error.sd_mm(np.array([length_mm]))[0])
    there = np.array([removed])
    stretch, k = bench.card.reading_stretch, len(GAP)
    means, variances = [], []
    for state in (seen.state, *(other.state for other in seen.explanations)):
        mean, cov = state.outputs(state.design(removed, seen.lip_strokes + lip, chanter, kpa, deg_c, as_read=True))
        g, steep = float(bent_mm(there, state.curve)[0]), float(slope_at(there, state.curve)[0])
        slope = (state.mean[k : 2 * k] + 2.0 * g * state.mean[2 * k : 3 * k]) * steep
        cov = cov + np.outer(slope, slope) * sd_mm**2
        gap_var = GAP @ cov @ GAP + bench.card.gap_stretch * (GAP @ state.noise_cov @ GAP)
        means.append(np.append(mean, GAP @ mean))
        variances.append(np.append(np.diag(cov) + stretch * np.diag(state.noise_cov), gap_var))
    others = np.array([other.chance for other in seen.explanations])
    return np.append(1.0 - others.sum(), others), np.array(means), np.array(variances)


def predict(
    path: Path,
    plans: Sequence[tuple[str, float, float]],
    tell: Tell = _quiet,
    *,
    chanter: str | None = None,
    pressure_kpa: float | None = None,
    temperature_c: float | None = None,
    at_s: float | None = None,
) -> list[Foretold]:
    """What the next reading of each reed would show after (reed, length mm, lip strokes), in the order given.

    In the chanter and conditions of the reed's last reading, but for what is said here. at_s: a reading taken at
    that moment, as for `ask_reed`. InputError for a reed or a chanter that the log does not know.
    """
    from trimfit.bench.journal import Journal
    from trimfit.desk.beliefs import Bench
    from trimfit.pitch import NOTES, OUTPUTS, hz_from_cents, note_hz
    from trimfit.plan.belief import interval_of

    with Journal(path) as journal:
        records = {name: journal.of_reed(name).reed.record for name in dict.fromkeys(reed for reed, _, _ in plans)}
        bench = Bench(journal, tell, at_s=at_s)
        if chanter is not None and bench.chanter(chanter) is None:
            known = sorted(journal.chanters())
            raise InputError(f"chanter {chanter[:60]!r} is not in the log", "--chanter", nearest(chanter, known))
        seen: dict[str, Seen] = {}
        for reed_type, batch in dict.fromkeys((r.reed_type, r.batch) for r in records.values()):
            seen |= bench.see_batch(reed_type, batch, [chanter] if chanter is not None else [], only=records)
        out = []
        for name, length_mm, lip in plans:
            blade = records[name].blade_mm
            if blade is not None and seen[name].removed_mm + length_mm >= blade:
                raise InputError(
                    f"{length_mm:g} mm is past the blade of {blade:g} mm",
                    f"reed {name}",
                    f"say less than {blade - seen[name].removed_mm:.4g} mm",
                )
            last = _conditions(seen[name])
            air = (
                chanter or last[0],
                last[1] if pressure_kpa is None else pressure_kpa,
                last[2] if temperature_c is None else temperature_c,
            )
            share, mean, variance = _next_reading(bench, seen[name], length_mm, lip, air)

            def cents(k: int, share=share, mean=mean, variance=variance) -> Interval:  # type: ignore[no-untyped-def]
                return interval_of(share, mean[:, k], variance[:, k])

            def span(k: int, note: str | None, cents=cents) -> Interval:  # type: ignore[no-untyped-def]
                ends = cents(k)
                values = (ends.mean, ends.low, ends.high)
                return Interval(*(note_hz(note, c, bench.scale) if note else hz_from_cents(c) for c in values))

            notes = {note: span(OUTPUTS.index(note), note) for note in NOTES}
            out.append(
                Foretold(
                    reed=name,
                    gap_cents=cents(len(OUTPUTS)),
                    crow_hz=span(OUTPUTS.index("crow"), None),
                    notes_hz=notes,
                    chanter=air[0],
                    pressure_kpa=air[1],
                    temperature_c=air[2],
                )
            )
    return out


def foretell(path: Path, reed: str) -> dict[str, tuple[float, float]]:
    """Mean and standard deviation of each output of the reed's next reading, as low A in cents from 440 Hz."""
    import math

    from trimfit.bench.journal import Journal
    from trimfit.desk.beliefs import Bench
    from trimfit.pitch import OUTPUTS

    with Journal(path) as journal:
        record = journal.of_reed(reed).reed.record
        bench = Bench(journal)
        seen = bench.see_reed(record)
        share, means, variances = _next_reading(bench, seen, 0.0, 0.0, _conditions(seen))
    mean = share @ means
    variance = share @ (variances + (means - mean) ** 2)
    return {name: (float(mean[k]), math.sqrt(float(variance[k]))) for k, name in enumerate(OUTPUTS)}
