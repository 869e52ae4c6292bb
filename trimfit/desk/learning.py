"""Learning from the log: fit, keep, and know when the fit is due again.

A fit is due when readings logged (or struck, counted fivefold) since the last are a quarter of those it holds and at
least twenty, when the ratios were changed, or when a reed type has been met that it does not know and that now has
five readings. In between nothing is lost: the readings since count at once for their own batch (`learn.predict`),
and once they are a fiftieth and at least ten the coefficients follow too, by the changed batches alone
(`learn.refresh`): what a type does, and a chanter, for all other reeds.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trimfit.errors import LogError

if TYPE_CHECKING:
    from fractions import Fraction

    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from trimfit.bench.doubts import Mark
    from trimfit.bench.journal import Journal
    from trimfit.learn.card import FitCard
    from trimfit.learn.design import Rows
    from trimfit.plan.policy import Costs, PolicyTable
    from trimfit.records import ReedHistory, Settings

__all__ = ["Learned", "card_of", "costs_of", "frame_of", "learn", "policy_for"]

Tell = Callable[[str, int, int], None]
CARD = "card"
VALIDATION = "validation"
MOST_PAIRS = 4000
SET_ASIDE = 0.2
WHOLE_READING = 8
SLIP_CENTS = 150.0
DUE_SHARE = 0.25
DUE_LEAST = 20
FOLLOW_SHARE, FOLLOW_LEAST = 0.02, 10
STRIKE_COUNTS = 5
FIT_STEPS, LEARN_STEPS = 5, 7
"""About how many steps a fit tells of, and a fit with its checks: for the progress line."""
MOST_READINGS = 20_000
"""Fits rest on the latest readings, this many: the running norm of the last few years, whole reeds only."""


def _quiet(step: str, done: int, whole: int) -> None:
    return None


class _Learning:
    """All the steps of a fit told as one: `learning from your log`, in hundredths."""

    def __init__(self, tell: Tell, steps: int) -> None:
        self._tell, self._steps, self._step, self._behind, self._told = tell, steps, "", -1, -1

    def __call__(self, step: str, done: int, whole: int) -> None:
        if step != self._step:
            self._step, self._behind = step, self._behind + 1
        so_far = self._behind + min(done / whole, 1.0) if whole > 0 else self._behind
        self._say(max(min(round(100.0 * so_far / self._steps), 99), self._told))

    def done(self) -> None:
        """The last of it."""
        self._say(100)

    def _say(self, hundredths: int) -> None:
        if hundredths != self._told:
            self._told = hundredths
            self._tell("learning from your log", hundredths, 100)


def frame_of(journal: Journal, *, most_readings: int | None = None) -> pd.DataFrame:
    """All readings that count as the estimator's frame (with `entry`, `seq`, `g_octave_cents`), or those of the reeds
    last read, until `most_readings` are reached."""
    import numpy as np
    import pandas as pd

    from trimfit.learn.frames import bench_frame, cents_of_hz
    from trimfit.pitch import NOTES

    names = ["seq", "entry", "reed", "at_s", "chanter", "crow_hz", *(f"{note}_hz" for note in NOTES)]
    names += ["g_octave_hz", "pressure_kpa", "temperature_c", "taped"]
    of = None if most_readings is None else journal.last_read(most_readings)
    readings = pd.DataFrame(journal.columns("reading", names, reeds=of), columns=names)
    if most_readings is not None and len(readings) > most_readings:
        last = readings.groupby("reed")["seq"].agg(["max", "size"]).sort_values("max", ascending=False)
        keep = last.index[last["size"].cumsum() <= most_readings]
        readings = readings[readings["reed"].isin(keep)]
        of = [str(reed) for reed in keep]
    trims = pd.DataFrame(
        journal.columns("trim", ["reed", "at_s", "length_mm", "lip_strokes"], reeds=of),
        columns=["reed", "done_at", "length_mm", "lip_strokes"],
    )
    events = pd.DataFrame(journal.columns("event", ["reed", "at_s"], reeds=of), columns=["reed", "at"])
    of_reed = ["reed", "reed_type", "batch", "made_on"]
    reeds = pd.DataFrame(journal.columns("reed", of_reed, reeds=of), columns=of_reed)
    for column in names[5:]:
        if column.endswith(("_hz", "_kpa", "_c")):
            readings[column] = readings[column].astype(float)
    for column in ("length_mm", "lip_strokes"):
        trims[column] = trims[column].astype(float)
    readings = readings.rename(columns={"at_s": "taken_at"}).astype({"taken_at": float})
    trims, events = trims.astype({"done_at": float}), events.astype({"at": float})
    frame = bench_frame(readings, trims, reeds, journal.scale(), events=events)
    kept = readings[readings["reed"].isin(set(reeds["reed"]))].reset_index(drop=True)
    frame["seq"] = kept["seq"].to_numpy()
    frame["g_octave_cents"] = cents_of_hz(kept["g_octave_hz"].to_numpy(dtype=float))
    frame["chanter"] = frame["chanter"].where(frame["chanter"].notna(), None)
    return frame.replace([np.inf, -np.inf], np.nan)


@dataclass(frozen=True, slots=True)
class Learned:
    """What `learn` answers: the card, and the held-out rows of `learn.score.summary`."""

    card: FitCard
    validation: list[dict[str, object]]


def learn(path: Path, tell: Tell = _quiet) -> Learned:
    """Fit the log and keep what was learned in it. InputError when there is nothing to learn from."""
    import numpy as np

    from trimfit.bench.journal import Journal
    from trimfit.desk.foreseeing import type_numbers
    from trimfit.learn.card import card_to_bytes
    from trimfit.learn.score import held_out, summary

    with Journal(path) as journal:
        learning = _Learning(tell, LEARN_STEPS)
        tell = learning
        card, rows = _fit(journal, tell)
        tell("leaving out each batch", 0, 1)
        found = held_out(card, rows)
        validation = summary(found, card.coding.types)
        pairs = [
            [round(float(a), 2), round(float(b), 2)]
            for a, b in zip(found.foretold[:, 0], found.found[:, 0], strict=True)
            if np.isfinite(a) and np.isfinite(b) and abs(a - b) < SLIP_CENTS
        ][:MOST_PAIRS]
        tell("leaving out each batch", 1, 1)
        kept = json.dumps({"rows": validation, "pairs": pairs}).encode()
        numbers = type_numbers(card, journal.scale())
        journal.learned_put({CARD: card_to_bytes(card), VALIDATION: kept, **numbers})
        settings = journal.settings()
        for code in range(card.n_types):
            policy_for(journal, costs_of(card, code, settings), tell)
        learning.done()
    return Learned(card, validation)


def _scale_words(settings: Settings) -> tuple[str, ...]:
    return settings.ratio_low_g, settings.ratio_d, settings.ratio_high_g


def _fit(journal: Journal, tell: Tell) -> tuple[FitCard, Rows]:
    import numpy as np

    from trimfit.errors import InputError
    from trimfit.learn.bounds import affordable, most_read_types_first, of_types
    from trimfit.learn.design import rows_from_frame
    from trimfit.learn.execution import cut_error
    from trimfit.learn.fitting import fit_card, most_read_first
    from trimfit.pitch import hz_width_cents

    settings = journal.settings()
    last_seq, strikes = journal.last_seq(), journal.count("strike")
    tell("reading the log", 0, 1)
    frame = frame_of(journal, most_readings=MOST_READINGS)
    tell("reading the log", 1, 1)
    if not len(frame):
        raise InputError("the log holds no reading yet", str(journal.path), "log or import readings first")
    rows, every_type, chanters = rows_from_frame(frame)
    rows, types = most_read_types_first(rows, every_type)
    rows = affordable(of_types(rows, len(types)))
    card = fit_card(
        rows,
        types,
        chanters,
        pressure_kpa=settings.bench_pressure_kpa,
        temperature_c=settings.bench_temperature_c,
        balance_cents=hz_width_cents(settings.balance_tolerance_hz, 470.0),
        tell=tell,
    )
    asked = journal.columns("trim", ["asked_mm", "length_mm"], reeds=journal.last_read(MOST_READINGS))
    pairs = np.array(asked, dtype=float).reshape(-1, 2)
    since_seq = int(frame[frame["reed"].isin(set(rows.reeds))].groupby("reed")["seq"].max().min())
    return card.on_log(
        last_seq, since_seq, strikes, _scale_words(settings), cut_error(pairs[:, 0], pairs[:, 1])
    ), most_read_first(rows, chanters)[0]


def _is_due(journal: Journal, card: FitCard, settings: Settings) -> bool:
    from trimfit.learn.bounds import MOST_TYPES

    if card.scale != _scale_words(settings) or card.last_seq > journal.last_seq():  # of other ratios, another log
        return True
    since = [reed for (reed,) in journal.columns("reading", ["reed"], after_seq=card.fit_seq)]
    fresh = len(since)
    fresh += STRIKE_COUNTS * max(journal.count("strike") - card.strikes, 0)
    if fresh >= max(DUE_SHARE * card.readings, DUE_LEAST):
        return True
    if fresh < 5 or card.n_types >= MOST_TYPES:
        return False
    types = dict(journal.columns("reed", ["reed", "reed_type"], reeds=sorted(set(since))))
    known = set(card.coding.types)
    return sum(1 for reed in since if types.get(reed, card.coding.types[0]) not in known) >= 5


def card_of(journal: Journal, tell: Tell = _quiet) -> FitCard:
    """What the log has taught, fitted anew where due; assumptions alone where there is nothing to learn from."""
    from trimfit.learn.card import card_from_bytes, card_to_bytes
    from trimfit.pitch import hz_width_cents

    settings = journal.settings()
    kept = journal.learned_get(CARD)
    if kept is not None:
        try:
            card = card_from_bytes(kept)
            if not _is_due(journal, card, settings):
                return _followed(journal, card)
        except LogError:
            pass
    if kept is None and journal.count("reading") < 3:
        from trimfit.learn.fitting import prior_card

        balance = hz_width_cents(settings.balance_tolerance_hz, 470.0)
        return prior_card((), settings.bench_pressure_kpa, settings.bench_temperature_c, balance)
    from trimfit.desk.foreseeing import type_numbers

    learning = _Learning(tell, FIT_STEPS)
    card, _ = _fit(journal, learning)
    learning.done()
    if not getattr(journal, "read_only", False):
        journal.learned_put({CARD: card_to_bytes(card), **type_numbers(card, journal.scale())})
    return card


def rows_in_fit(
    card: FitCard, histories: Sequence[ReedHistory], code: int, names: Sequence[str], scale: Mapping[str, Fraction]
) -> tuple[Rows, NDArray[np.intp], NDArray[np.bool_]]:
    """A batch's readings as rows, the number of each in the log, and which of them the card has seen.

    code: of the reeds' type; names: of chanters, the card's first.
    """
    import numpy as np

    from trimfit.learn.bounds import of_fewer_chanters
    from trimfit.learn.histories import rows_of

    rows = of_fewer_chanters(rows_of(histories, code, tuple(names), scale))
    seq = np.array([r.seq for h in histories for r in h.readings], dtype=np.intp)
    held = [
        max((r.seq for r in h.readings if r.seq <= card.last_seq), default=0) >= card.since_seq
        for h in histories
        for _ in h.readings
    ]
    in_fit = (seq <= card.last_seq) & np.array(held, dtype=bool) & (card.readings > 0) & (code < card.n_types)
    return rows, seq, in_fit


def _followed(journal: Journal, card: FitCard) -> FitCard:
    """The card with its coefficients brought up to date, where enough has been logged since; kept in the log."""
    import numpy as np

    from trimfit.desk.foreseeing import type_numbers
    from trimfit.learn.bounds import MOST_TYPES
    from trimfit.learn.card import card_to_bytes
    from trimfit.learn.design import take_rows
    from trimfit.learn.refresh import Changed, refreshed

    last_seq = journal.last_seq()
    since = [reed for (reed,) in journal.columns("reading", ["reed"], after_seq=card.last_seq)]
    if len(since) < max(FOLLOW_SHARE * card.readings, FOLLOW_LEAST) or getattr(journal, "read_only", False):
        return card
    batches = sorted(set(journal.columns("reed", ["reed_type", "batch"], reeds=sorted(set(since)))))
    types, known = card.coding.types, card.coding.chanters
    if any(reed_type not in types for reed_type, _ in batches) and card.n_types < MOST_TYPES:
        return card  # a type that it does not know is for a fit
    batches = [(reed_type, batch) for reed_type, batch in batches if reed_type in types]
    changed = []
    for reed_type, batch in batches:
        histories = journal.of_batch(reed_type, batch)
        met = {r.record.chanter for h in histories for r in h.readings if r.record.chanter}
        names = (*known, *sorted(met - set(known)))
        rows, seq, in_fit = rows_in_fit(card, histories, types.index(reed_type), names, journal.scale())
        at = np.flatnonzero(seq <= last_seq)  # another process may log meanwhile
        changed.append(Changed(take_rows(rows, at), in_fit[at], names))
    card = refreshed(card, changed, last_seq)
    journal.learned_put({CARD: card_to_bytes(card), **type_numbers(card, journal.scale())})
    return card


def unborne(journal: Journal) -> list[Mark]:
    """Readings that the last fit counts for less than half, with what in them stands out; empty without a fit.

    Readings whose A's do not balance are left to the rule that says so.
    """
    from trimfit.bench.doubts import Mark
    from trimfit.learn.card import card_from_bytes
    from trimfit.pitch import OUTPUTS

    kept = journal.learned_get(CARD)
    if kept is None:
        return []
    out = []
    try:
        card = card_from_bytes(kept)
    except LogError:
        return []  # it is fitted anew when something is asked
    for entry, weights in card.low_weight.items():
        low = [name.replace("_", " ") for name, weight in zip(OUTPUTS, weights, strict=True) if weight < SET_ASIDE]
        reed = journal.reed_of_entry(entry)
        if not low or not reed:
            continue
        whole = len(low) >= WHOLE_READING
        what = "the whole reading lies" if whole else f"{' and '.join(low)} lie{'s' if len(low) == 1 else ''}"
        than = "; was it another reed?" if whole else ""
        sentence = f"{what} far from what all other readings foretell, and counts for little{than}"
        out.append(Mark(entry, reed, "not-borne-out", sentence))
    return out


def cut_error_of(card: FitCard, settings: Settings) -> Any:
    """The execution error: learned from the log where it tells, else the shop's setting."""
    from trimfit.plan.belief import CutError

    if card.cut_error_pct is not None and card.cut_error_mm is not None:
        return CutError(card.cut_error_pct, card.cut_error_mm)
    return CutError(settings.cut_error_pct, settings.cut_error_mm)


def costs_of(card: FitCard, type_code: int, settings: Settings) -> Costs:
    """The costs and errors that the policy of a type rests on, rounded so that near ones share a table."""
    import numpy as np

    from trimfit.learn.movement import DIRECTIONS
    from trimfit.pitch import hz_width_cents
    from trimfit.plan.belief import GAP
    from trimfit.plan.policy import Costs

    known = 0 <= type_code < card.n_types
    scale = float(card.noise_scale[type_code]) if known else float(np.mean(card.noise_scale))
    sitting = card.movement.of(type_code).sitting[DIRECTIONS.index("gap"), DIRECTIONS.index("gap")]
    reading_sd = float(np.sqrt(GAP @ card.noise_cov @ GAP * scale + sitting))
    slope = max(float(GAP @ card.type_coef(type_code if known else -1)[1]), 5.0)
    error = cut_error_of(card, settings)
    return Costs(
        settings.minutes_per_cut,
        settings.minutes_per_reading,
        settings.cost_outside_minutes,
        round(hz_width_cents(settings.tolerance_hz, 470.0), 2),
        round(reading_sd, 1),
        round(error.pct / 100.0, 3),
        round(error.constant_mm * slope, 1),
    )


def policy_for(journal: Journal, costs: Costs, tell: Tell = _quiet) -> PolicyTable:
    """The policy for these costs: from the log where it was solved before, else solved now and kept."""
    from trimfit.plan.policy import solve, table_from_bytes, table_to_bytes

    key = "policy:" + json.dumps([getattr(costs, name) for name in costs.__slots__])
    kept = journal.learned_get(key)
    if kept is not None:
        try:
            return table_from_bytes(kept)
        except LogError:
            pass
    tell("working out the plan", 0, 1)
    table = solve(costs)
    tell("working out the plan", 1, 1)
    if not getattr(journal, "read_only", False):
        journal.learned_put({key: table_to_bytes(table)})
    return table


def report_of(learned: Learned) -> dict[str, Any]:
    """What `learn` says: types with their coefficients (intervals), variance parts, held-out errors and coverage.

    Per type and output: per_mm, curvature (per mm²), per_stroke, per_kpa, per_degc, in cents; `assumed` names those
    that rest on assumption rather than on readings. Per type `movement`: the fields of `MovementTerms`.
    """
    from dataclasses import asdict

    import numpy as np

    from trimfit.learn.movement_terms import movement_terms
    from trimfit.learn.terms import type_terms
    from trimfit.plan.belief import GAP, PITCH

    card = learned.card
    types = []
    for code, name in enumerate(card.coding.types):
        outputs: dict[str, dict[str, Any]] = {}
        for term in type_terms(card, code):
            mine = outputs.setdefault(term.output, {"assumed": []})
            mine[term.term] = {"mean": term.value.mean, "low": term.value.low, "high": term.value.high}
            if term.assumed:
                mine["assumed"].append(term.term)
        types.append(
            {
                "reed_type": name,
                "reeds": int(card.reeds[code]),
                "batches": int(card.batches[code]),
                "outputs": outputs,
                "movement": asdict(movement_terms(card.movement, code)),
            }
        )
    crow = np.eye(len(GAP))[0]

    def sd(m: Any, cov: Any) -> float:
        return float(np.sqrt(max(float(m @ cov @ m), 0.0)))

    k = len(GAP)
    variance: list[dict[str, Any]] = []
    for part, cov in (("batch", card.batch_cov), ("reed", card.reed_cov)):
        row: dict[str, Any] = {"part": part}
        for name, pick in (("gap", GAP), ("crow", crow), ("pitch", PITCH)):
            row[name] = sd(pick, cov[:k, :k])
        row["gap_per_mm"], row["crow_per_mm"] = sd(GAP, cov[k : 2 * k, k : 2 * k]), sd(crow, cov[k : 2 * k, k : 2 * k])
        variance.append(row)
    for part, cov in (("chanter", card.chanter_cov[:k, :k]), ("reading", card.noise_cov)):
        row = {"part": part, "gap_per_mm": None, "crow_per_mm": None}
        row |= {name: sd(pick, cov) for name, pick in (("gap", GAP), ("crow", crow), ("pitch", PITCH))}
        variance.append(row)
    return {
        "readings": card.readings,
        "types": types,
        "variance": variance,
        "held_out": learned.validation,
        "cut_error_pct": card.cut_error_pct,
        "cut_error_mm": card.cut_error_mm,
    }
