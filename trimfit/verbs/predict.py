"""`predict`: what the next reading of a reed would show after a trim."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from trimfit.base.answers import Advice, PredictedReading
from trimfit.base.errors import FEW_NAMES, Fault, InputError, command, meant, nearest, short
from trimfit.base.pitch import NOTES, OUTPUTS, hz_from_cents, note_hz
from trimfit.base.records import Reed
from trimfit.base.units import Interval, within
from trimfit.planner.aim import interval_of
from trimfit.planner.quantities import on_nodes
from trimfit.regression.curve import bent_mm, slope_at
from trimfit.regression.outputs import GAP
from trimfit.session.open_log import Bench, Seen
from trimfit.session.session import Session
from trimfit.verbs.wording import impossible

PLANNED = ("length_mm", "lip_strokes")
"""Columns of a plan: what is to come off a reed."""


def _conditions(bench: Bench, seen: Seen) -> tuple[str | None, float | None, float | None]:
    """Chanter, pressure and temperature of the reed's last reading with notes; failing that, the chanter that it is to
    be read in: its order's, or the one that stands in for it."""
    for logged in reversed(seen.history.readings):
        if logged.record.notes_hz:
            return logged.record.chanter, logged.record.pressure_kpa, logged.record.temperature_c
    last = seen.history.readings[-1].record if seen.history.readings else None
    ordered = seen.history.order.chanter if seen.history.order is not None else None
    chanter = bench.at_hand.worked_in(ordered, bench.last_chanter(seen)) or ordered
    return chanter, last.pressure_kpa if last else None, last.temperature_c if last else None


def _next_reading(
    bench: Bench, seen: Seen, length_mm: float, lip: float, air: tuple[str | None, float | None, float | None]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """The next reading after a trim, over the explanations of the reed's latest ones and the nodes of the gap's slope
    that `ask` lays it on (`planner.quantities.on_nodes`): their shares (J,), its means (J, 11) and variances (J, 11):
    the ten outputs, then the gap, in cents.

    air: chanter, pressure in kPa and temperature in °C of that reading.
    """
    chanter, kpa, deg_c = air
    removed = seen.removed_mm + length_mm
    sd_mm = float(bench.rules().error.sd_mm(np.array([length_mm]))[0])
    there = np.array([removed])
    stretch, k = bench.model.reading_stretch, len(GAP)
    each = [(other.chance, other.state) for other in seen.explanations]
    shares, means, variances = [], [], []
    shown = np.r_[2 : 2 + k, 0]
    for chance, state in [(1.0 - sum(chance for chance, _ in each), seen.state), *each]:
        design = state.design(removed, seen.lip_strokes + lip, chanter, kpa, deg_c, as_read=True)
        gap_slope = np.zeros_like(state.mean)
        gap_slope[k : 2 * k] = GAP
        mean, cov = state.outputs(np.vstack([GAP @ design, gap_slope, design]))
        weight, at, within = on_nodes(mean[None], cov[None])
        g, steep = float(bent_mm(there, state.curve)[0]), float(slope_at(there, state.curve)[0])
        slope = (state.mean[k : 2 * k] + 2.0 * g * state.mean[2 * k : 3 * k]) * steep
        noise = np.append(stretch * np.diag(state.noise_cov), bench.model.gap_stretch * (GAP @ state.noise_cov @ GAP))
        variance = np.diag(within[0])[shown] + noise + (np.append(slope, GAP @ slope) * sd_mm) ** 2
        shares.append(chance * weight)
        means.append(at[0][:, shown])
        variances.append(np.broadcast_to(variance, means[-1].shape))
    return np.concatenate(shares), np.concatenate(means), np.concatenate(variances)


def predict(
    session: Session,
    plans: Sequence[tuple[str, float, float]],
    *,
    places: Sequence[str] = (),
    chanter: str | None = None,
    pressure_kpa: float | None = None,
    temperature_c: float | None = None,
    at_s: float | None = None,
) -> list[PredictedReading]:
    """What the next reading of each reed would show after (reed, length mm, lip strokes), in the order given.

    In the chanter and conditions of the reed's last reading, but for what is said here. at_s: a reading taken at
    that moment, as for `ask_reed`. places: where each plan stands, as `file:line`, for the faults. InputError for a
    reed or a chanter that the log does not know, for an amount out of bounds, and where the reading would be an
    impossible one.
    """
    journal = session.journal
    for _, length_mm, lip in plans:
        within("length_mm", length_mm)
        within("lip_strokes", lip)
    with session.reading():
        records: dict[str, Reed] = {}
        faults = []
        for i, name in enumerate(reed for reed, _, _ in plans):
            try:
                records[name] = records.get(name) or journal.reed_named(name)
            except InputError as error:
                if not places:
                    raise
                faults.append(Fault(places[i], "reed", error.what, error.remedy))
        if faults:
            raise InputError(f"{len(faults)} faults", faults=faults)
    session.fit_if_due()
    with session.reading():
        bench = session.bench(at_s)
        if chanter is not None and bench.at_hand.chanter(chanter) is None:
            known = sorted(journal.chanters())
            raise InputError(
                f"chanter {short(chanter)!r} is not in the log", "--chanter", nearest(chanter, known, FEW_NAMES)
            )
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
            last = _conditions(bench, seen[name])
            air = (
                chanter or last[0],
                last[1] if pressure_kpa is None else pressure_kpa,
                last[2] if temperature_c is None else temperature_c,
            )
            share, mean, variance = _next_reading(bench, seen[name], length_mm, lip, air)

            names = (*OUTPUTS, "gap")
            cents = {of: interval_of(share, mean[:, k], variance[:, k]) for k, of in enumerate(names)}
            _refuse_absurd(bench, seen[name], (length_mm, lip), air, {of: cents[of].mean for of in OUTPUTS})
            out.append(
                PredictedReading(
                    reed=name,
                    gap_cents=cents["gap"],
                    crow_hz=_ends_as(hz_from_cents, cents["crow"]),
                    notes_hz={n: _ends_as(partial(note_hz, n, scale=bench.scale), cents[n]) for n in NOTES},
                    chanter=air[0],
                    pressure_kpa=air[1],
                    temperature_c=air[2],
                    why=_beyond(length_mm, bench.longest_cut_mm(records[name].reed_type)),
                )
            )
    return out


def check_plan_columns(heads: Sequence[str], where: str) -> None:
    """InputError where a plan's columns are not `reed` and one or both of PLANNED, or one of these is misspelt."""
    names = ("reed", *PLANNED)
    for head in heads:
        if head not in names and (close := meant(head, [name for name in names if name not in heads])):
            raise InputError(f"{short(head)!r} is no column of a plan", where, close)
    if "reed" not in heads or not {*PLANNED} & {*heads}:
        raise InputError(f"has not the columns {','.join(names)}", where, "give reed, and one or both of the others")


def _ends_as(value: Callable[[float], float], span: Interval) -> Interval:
    return Interval(value(span.mean), value(span.low), value(span.high))


def _refuse_absurd(
    bench: Bench,
    seen: Seen,
    work: tuple[float, float],
    air: tuple[str | None, float | None, float | None],
    cents: Mapping[str, float],
) -> None:
    """InputError where the curve, drawn on past all that was logged, would have a cut lower the crow, as no cut does,
    or where the reading would be out of the bounds of one.

    work: length in mm and lip strokes; cents: the mean of each output after them, as low A from 440 Hz.
    """
    where, nearer = f"reed {seen.name}", "say a length nearer to what was logged"
    longest_mm = bench.longest_cut_mm(seen.history.reed.record.reed_type)
    if work[0] > (longest_mm or 0.0):
        share, uncut, _ = _next_reading(bench, seen, 0.0, work[1], air)
        if cents["crow"] < float(share @ uncut[:, 0]):
            known = (
                f"the longest cut logged of its type that is in no doubt is {longest_mm:.2f} mm"
                if longest_mm
                else "none of its type was cut"
            )
            raise InputError(f"a cut of {work[0]:g} mm cannot be predicted: {known}", where, nearer)
    if wrong := impossible(cents, bench.scale):
        look = f"{command('review', 'reed', seen.name)} shows what was logged of it"
        raise InputError(f"no prediction: by what is logged {wrong}", where, nearer if any(work) else look)


def _beyond(length_mm: float, longest_mm: float | None) -> str:
    """A warning where the length is longer than any cut that was logged of the type."""
    if not longest_mm or length_mm <= longest_mm + 1e-9:
        return ""
    than = f"any cut logged of its type that is in no doubt ({longest_mm:.2f} mm)"
    return f"{length_mm:.2f} mm is longer than {than}: take it for a guess"


def next_notes_hz(bench: Bench, seen: Seen, advice: Advice, notes: Sequence[str]) -> list[float]:
    """What the next reading should show of these notes once the advice is followed, in the chanter that the advice
    sends the reed to: the means, sounding, in Hz."""
    chanter, kpa, deg_c = _conditions(bench, seen)
    air = (advice.here["chanter"] if advice.here else advice.chanter or chanter, kpa, deg_c)
    share, means, _ = _next_reading(bench, seen, advice.length_mm, advice.lip_strokes, air)
    return [note_hz(note, float(share @ means[:, OUTPUTS.index(note)]), bench.scale) for note in notes]


def predict_outputs(session: Session, reed: str) -> dict[str, tuple[float, float]]:
    """Mean and standard deviation of each output of the reed's next reading, as low A in cents from 440 Hz."""
    session.fit_if_due()
    with session.reading():
        bench = session.bench()
        seen = bench.see_reed(session.journal.reed_named(reed))
        share, means, variances = _next_reading(bench, seen, 0.0, 0.0, _conditions(bench, seen))
    mean = share @ means
    variance = share @ (variances + (means - mean) ** 2)
    return {name: (float(mean[k]), math.sqrt(float(variance[k]))) for k, name in enumerate(OUTPUTS)}
