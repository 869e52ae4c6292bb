"""`review chanters`: from the log's readings in each chanter to what it asks for, and the stock that suits it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from trimfit.base.errors import FEW_NAMES, InputError, nearest, short, unwritable
from trimfit.base.normal import Z90
from trimfit.base.pitch import NOTES, OUTPUTS, cents_from_440, hz_from_cents
from trimfit.base.plain_words import counted
from trimfit.base.records import Chanter, Order
from trimfit.base.units import Interval
from trimfit.log.journal import Journal
from trimfit.regression.design import rows_from_frame
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.outputs import CROW, GAP, PITCH, K, contrast
from trimfit.regression.priors import MEETING_CENTS
from trimfit.review.results import ChanterMap, CrowAsked, CrowPoint, GWitness, StockReed, TypeMeets
from trimfit.review.safe_names import file_stems
from trimfit.review.statistics import chanter_pitch as numbers
from trimfit.review.statistics.chanter_pitch import (
    CROW_SPREAD,
    PITCH_SPREAD,
    Pooled,
    ReedSpread,
    ReedValues,
    crow_at_meeting,
    far_apart,
    pitch_at_meeting,
    spread_of,
)
from trimfit.session.open_log import Bench, Seen
from trimfit.session.order_progress import order_progress
from trimfit.session.reading_frame import frame_of
from trimfit.session.session import Session
from trimfit.verbs.allot import together
from trimfit.verbs.ask import see_all
from trimfit.verbs.pick import HARDLY, of_weight, ranked, seen_of, stock_for
from trimfit.verbs.reviews.chanter_notes import notes_and_words
from trimfit.verbs.wording import spread

if TYPE_CHECKING:
    import pandas as pd

NEAR_CENTS = 10.0
"""The G octave is a witness where F and E are this near to meeting."""
G_SLOPE_SD = 0.15
"""Hertz that it may move against low A for each cent of gap: common practice, no source."""
AGREE_HZ = 1.5
AGREE_CENTS = 3.7
"""A stated pitch is rounded to the hertz: up to this far beyond the interval it is no contradiction."""
WIDE_CENTS = 4.5
"""Half of the interval of a meeting pitch beyond which it is called wide: some 1.2 Hz."""
TELLS = 0.9
"""A stated pitch counts beside readings where it leaves less than this of their interval."""
VAGUEST_CROW_CENTS = 600.0
"""A crow asked that may lie half an octave to either side is not said."""
MOST_SUITS = 12
MOST_WITH_STOCK = 12
MOST_FORECASTS = 3_000
"""Of reeds and chanters: some seconds."""
MOST_POINTS = 400
UNREAD = "never read with E and F"


def chanters(session: Session, only: str | None = None, *, stock: bool = True) -> list[ChanterMap]:
    """What each chanter of the log asks for, those read most first, those never read last; or `only` the one named.

    stock: with what `pick` says of the stock for each. Raises InputError for a name that the log does not know.
    """
    found = chanter_review(session.journal, session.fit_if_due(), frame_of(session.journal))
    mine = [one for one in found if only in (None, one.chanter)]
    if only is not None and not mine:
        what = f"the log knows no chanter {short(only)!r}"
        raise InputError(what, "review chanters", nearest(only, [one.chanter for one in found], FEW_NAMES))
    return with_stock(session.bench(), mine) if stock else mine


def with_stock(bench: Bench, found: Sequence[ChanterMap]) -> list[ChanterMap]:
    """The chanters with what `pick` says of the stock for their first open order, or would say for one, in its order;
    of reeds hardly likely to end good, nothing. Only of the first `MOST_WITH_STOCK`, and no more than
    `MOST_FORECASTS`: each asks after all the stock."""
    journal = bench.journal
    orders: dict[str, Order] = {}
    known = journal.orders()
    for one in order_progress(journal, "0000-00-00", bench.until_s):
        if one.is_open:
            orders.setdefault(one.chanter, known[one.order])
    free = stock_for(journal, Order("", ""), bench.until_s)
    first = found[: min(MOST_WITH_STOCK, max(MOST_FORECASTS // max(len(free), 1), 1))]
    seen: dict[str, list[Seen]] = {}
    for names in together(bench, [one.chanter for one in first]) if free else []:
        reeds = list(see_all(bench, free, names, step="looking through the stock"))
        seen |= {name: reeds for name in names}
    out = []
    for chanter in first:
        order = orders.get(chanter.chanter, Order("", chanter.chanter))
        reeds = [one for one in seen.get(chanter.chanter, []) if of_weight(one.history, order)]
        if not free and order.order:  # a shop that gives every blank an order: those that `pick` lists beside free ones
            reeds = seen_of(bench, stock_for(journal, order, bench.until_s), order)
        picks = [one for one in ranked(bench, order, reeds) if one.chance_good >= HARDLY]
        shown = tuple(StockReed(one.reed, one.length_mm, one.chance_good, one.cuts_known) for one in picks[:MOST_SUITS])
        suits, more = tuple(one.reed for one in shown), len(picks) - len(shown)
        out.append(replace(chanter, suits=suits, stock=shown, stock_for=order.order or None, stock_more=more))
    return [*out, *found[len(out) :]]


def sheet_picture(session: Session, chanter: str) -> bytes:
    """The chanter's sheet (A6) as PNG. InputError for a name that the log does not know."""
    from trimfit.review.card_parts import pdf_and_png
    from trimfit.review.chanter_card import draw

    (found,) = chanters(session, chanter, stock=False)
    return pdf_and_png(lambda: draw(found))[1]


def write_sheets(found: Sequence[ChanterMap], folder: Path) -> list[Path]:
    """Write the sheet of each of these chanters as PDF and PNG (A6) into a folder; returns the paths.

    InputError for a folder that cannot be written.
    """
    from trimfit.review.chanter_card import write

    stems = file_stems([one.chanter for one in found])
    try:
        return [path for one in found for path in write(folder, one, stems[one.chanter])]
    except OSError as error:
        raise unwritable(folder, error) from error


def chanter_review(journal: Journal, model: FittedModel, frame: pd.DataFrame) -> list[ChanterMap]:
    """What each chanter asks for. frame: as `reading_frame.frame_of` gives it."""
    table = _table(model, frame, float(journal.scale()["low_g"]))
    known = journal.chanters()
    blanks = _stock(journal, table)
    met = _Readings({key: table[key].to_numpy() for key in table.columns}).by("chanter")
    none = _Readings({key: table[key].to_numpy()[:0] for key in table.columns})
    names = sorted({*known, *met})
    rows = {name: met.get(name, none) for name in names}
    values = {name: (_pitches(rows[name]), _crows(rows[name])) for name in names}
    spreads = _spreads(list(values.values()))
    usual = {"pressure_kpa": model.coding.pressure_kpa, "temperature_c": model.coding.temperature_c}
    kpa, deg_c = (float(usual[name]) if frame[name].notna().any() else None for name in usual)
    notes = notes_and_words(model, journal.scale())
    found = [_chanter(name, rows[name], values[name], known.get(name), blanks, model, spreads) for name in names]
    read, taped = _notes_read(frame), _read_taped(frame)
    for i, one in enumerate(found):
        of_chanter, words = notes.get(one.chanter, ((), ""))
        of_chanter = tuple(note for note in of_chanter if (one.chanter, note.note) in read)
        said = one.why + " untaped" if one.why.endswith(UNREAD) and one.chanter in taped else one.why
        why = "; ".join(part for part in (said, words) if part)
        found[i] = replace(one, notes=of_chanter, why=why, of_notes=words, pressure_kpa=kpa, temperature_c=deg_c)
    return sorted(found, key=lambda one: (-one.readings, one.chanter))


def _notes_read(frame: pd.DataFrame) -> set[tuple[str, str]]:
    """Chanters and the notes that were ever read in them, with tape or without."""
    out: set[tuple[str, str]] = set()
    for note in NOTES:
        columns = [name for name in (f"{note}_cents", f"{note}_taped_cents") if name in frame.columns]
        taken = frame.loc[frame[columns].notna().any(axis=1), "chanter"].dropna().unique()
        out |= {(str(chanter), note) for chanter in taken}
    return out


def _read_taped(frame: pd.DataFrame) -> set[str]:
    """Chanters in which E and F were read together with tape on one of them or both."""
    of_notes = [[name for name in (f"{note}_cents", f"{note}_taped_cents") if name in frame] for note in ("e", "f")]
    e, f = (frame[names].notna().any(axis=1) for names in of_notes)
    untaped = frame[["e_cents", "f_cents"]].notna().all(axis=1)
    return {str(name) for name in frame.loc[e & f & ~untaped, "chanter"].dropna().unique()}


class _Readings:
    """Readings column by column, arrays of one length: what is read in a chanter is a few slices of them, where a
    frame's selections would take most of the time in a shop of many chanters."""

    def __init__(self, columns: dict[str, Any]) -> None:
        self._columns = columns

    def __getitem__(self, key: str) -> Any:
        return self._columns[key]

    def where(self, keep: Any) -> _Readings:
        """Those at which `keep`, a mask or places, says so."""
        return _Readings({key: values[keep] for key, values in self._columns.items()})

    def by(self, key: str) -> dict[str, _Readings]:
        """Those of each name in a column, in the names' order; those without a name are left out."""
        import pandas as pd

        codes, names = pd.factorize(self._columns[key], sort=True)
        order = np.argsort(codes, kind="stable")
        edges = np.searchsorted(codes[order], np.arange(len(names) + 1))
        return {str(name): self.where(order[edges[i] : edges[i + 1]]) for i, name in enumerate(names)}


def _table(model: FittedModel, frame: pd.DataFrame, low_g: float) -> pd.DataFrame:
    """The readings with crow, gap, pitch (lips left alone, the bench's usual air and pressure), ratios and
    reading errors, cents."""
    import pandas as pd

    rows, _, _ = rows_from_frame(frame, model.coding)
    e, f, low_a = (OUTPUTS.index(note) for note in ("e", "f", "low_a"))
    air = np.zeros_like(rows.y)
    ratios = np.zeros((len(rows), 4))
    for code in np.unique(rows.type_code):
        mine = rows.type_code == code
        beta = model.type_coef(int(code) if code < model.n_types else -1)
        dp = np.nan_to_num(rows.kpa[mine] - model.coding.pressure_kpa)
        dt = np.nan_to_num(rows.deg_c[mine] - model.coding.temperature_c)
        air[mine] = rows.lip[mine][:, None] * beta[3] + dp[:, None] * beta[4] + dt[:, None] * beta[5]
        gap_slope = max(float(beta[1, f] - beta[1, e]), 5.0)
        known = int(code) < model.n_types
        cov = model.coef_cov[model.type_slice(int(code)), model.type_slice(int(code))] if known else model.new_type_cov
        for place, pick in ((0, PITCH), (1, contrast(CROW))):
            ratio = float(pick @ beta[1]) / gap_slope
            off = pick - ratio * GAP  # what a doubt of the slopes does to their ratio
            sd = float(np.sqrt(off @ cov[K : 2 * K, K : 2 * K] @ off)) / gap_slope
            ratios[mine, place], ratios[mine, 2 + place] = ratio, sd
    y = rows.y - air
    weight = np.ones(len(rows))
    for i, label in enumerate(rows.label):
        low = model.low_weight.get(str(label))
        if low is not None:
            weight[i] = min(low)
    scale = np.array([model.noise_scale[c] if c < model.n_types else model.noise_scale.mean() for c in rows.type_code])
    g_octave = frame["g_octave_cents"].to_numpy(dtype=float) - 1200.0 * np.log2(2.0 * low_g)
    return pd.DataFrame(
        {
            "reed": frame["reed"].to_numpy(),
            "reed_type": frame["reed_type"].to_numpy(),
            "type_code": rows.type_code,
            "reed_code": rows.reed_code,
            "batch_code": rows.batch_code,
            "chanter": frame["chanter"].to_numpy(),
            "removed_mm": rows.removed_mm,
            "crow": y[:, 0],
            "crow_read": rows.y[:, 0],
            "gap": y[:, f] - y[:, e],
            "pitch": 0.5 * (y[:, f] + y[:, e]),
            "g_over_a": g_octave - rows.y[:, low_a],
            "low_a": rows.y[:, low_a],
            "pitch_ratio": ratios[:, 0],
            "crow_ratio": ratios[:, 1],
            "pitch_ratio_sd": ratios[:, 2],
            "crow_ratio_sd": ratios[:, 3],
            "crow_var": model.noise_cov[0, 0] * scale,
            "gap_var": float(GAP @ model.noise_cov @ GAP) * scale,
            "pitch_var": float(PITCH @ model.noise_cov @ PITCH) * scale,
            "sound": weight > 0.5,
        }
    )


def _stock(journal: Journal, table: pd.DataFrame) -> list[tuple[str, str, float]]:
    """Reeds of the stock as (name, type, crow in cents): blanks, and reeds laid to stock as they stand."""
    ended = {
        reed: outcome
        for reed, outcome, _ in sorted(journal.columns("outcome", ["reed", "outcome", "at_s"]), key=lambda row: row[2])
    }
    laid = {reed for reed, outcome in ended.items() if outcome == "to-stock"}
    known = journal.reeds()
    last = dict(zip(table["reed"][table["crow"].notna()], table["crow"][table["crow"].notna()], strict=True))
    names = [history.reed.record.reed for history in journal.blanks()] + sorted(laid & set(known))
    read = [reed for name in dict.fromkeys(names) if name in last and (reed := known.get(name)) is not None]
    # in a shop that gives every blank an order, those count as stock until the first cut
    free = [reed for reed in read if reed.order is None] or read
    return [(reed.reed, reed.reed_type, float(last[reed.reed])) for reed in free]


def _pitches(rows: _Readings) -> ReedValues:
    """Each reed's pitch at the meeting point, from the sound readings of E and F in one chanter."""
    notes = rows.where(np.isfinite(rows["gap"]) & rows["sound"])
    keys = (
        "pitch",
        "gap",
        "pitch_ratio",
        "pitch_ratio_sd",
        "pitch_var",
        "gap_var",
        "reed_code",
        "batch_code",
        "type_code",
    )
    return pitch_at_meeting(*(notes[key] for key in keys))


def _crows(rows: _Readings) -> dict[str, ReedValues]:
    """Each reed's crow at the meeting point, by reed type, from the sound readings with a crow in one chanter."""
    both = rows.where(np.isfinite(rows["gap"]) & rows["sound"] & np.isfinite(rows["crow"]))
    keys = ("crow", "gap", "crow_ratio", "crow_ratio_sd", "crow_var", "gap_var", "reed_code", "batch_code", "type_code")
    return {kind: crow_at_meeting(*(mine[key] for key in keys)) for kind, mine in both.by("reed_type").items()}


def _spreads(chanters: list[tuple[ReedValues, dict[str, ReedValues]]]) -> tuple[ReedSpread, dict[str, ReedSpread]]:
    """How reeds' pitches vary about their chanter's, and their crows, by reed type: from all chanters together."""
    crows: dict[str, list[ReedValues]] = {}
    for _, by_type in chanters:
        for kind, values in by_type.items():
            crows.setdefault(kind, []).append(values)
    of_pitch = spread_of([pitches for pitches, _ in chanters], PITCH_SPREAD)
    return of_pitch, {kind: spread_of(values, CROW_SPREAD) for kind, values in crows.items()}


def _chanter(
    name: str,
    rows: _Readings,
    values: tuple[ReedValues, dict[str, ReedValues]],
    stated: Chanter | None,
    stock: list[tuple[str, str, float]],
    model: FittedModel,
    spreads: tuple[ReedSpread, dict[str, ReedSpread]],
) -> ChanterMap:
    notes = rows.where(np.isfinite(rows["gap"]) & rows["sound"])
    readings, reeds = len(notes["gap"]), len(np.unique(notes["reed_code"]))
    of_pitch, of_crow = spreads
    stated_hz = stated.meeting_pitch_hz if stated is not None else None
    told = (cents_from_440(stated_hz), model.stated_sd[0]) if stated_hz else None
    read, meets = _meets(values[0], of_pitch, told)
    asked, crows = [], {}
    for kind, found in values[1].items():
        crow = numbers.pooled(found, of_crow[kind])
        if crow is not None and crow.half <= VAGUEST_CROW_CENTS:
            asked.append(CrowAsked(kind, numbers.hz_interval(crow), crow.reeds))
            crows[kind] = crow
    by_type, met, crow_of = {}, [], {one.reed_type: one for one in asked}
    for kind, mine in notes.by("reed_type").items():
        by_type[kind] = numbers.pooled(of_kind := _pitches(mine), of_pitch)
        known = _meets(of_kind, of_pitch, told)[1]
        if known is not None:
            met.append(
                TypeMeets(kind, numbers.hz_interval(known), len(np.unique(mine["reed_code"])), crow_of.get(kind))
            )
    witness = _witness(rows)
    crowed = notes.where(np.isfinite(notes["crow"]))
    shown = crowed.where(slice(None, None, max(-(-len(crowed["gap"]) // MOST_POINTS), 1)))
    points = [
        CrowPoint(str(reed), str(kind), hz_from_cents(float(crow)), float(gap))
        for reed, kind, crow, gap in zip(
            *(shown[key] for key in ("reed", "reed_type", "crow_read", "gap")), strict=True
        )
    ]
    why, agrees = _why(read, meets, by_type, stated_hz, witness, reeds)
    return ChanterMap(
        chanter=name,
        readings=readings,
        reeds=reeds,
        meet_pitch_hz=numbers.hz_interval(meets) if meets is not None else None,
        told_pitch_hz=stated_hz,
        asked=tuple(asked),
        points=tuple(points),
        g_octave=witness,
        suits=tuple(_suits(crows, stock, model)),
        why=why,
        agrees=agrees,
        kind=stated.kind if stated is not None else None,
        told_crow_hz=stated.working_crow_hz if stated is not None else None,
        told_crow_type=stated.working_crow_type if stated is not None else None,
        by_type=tuple(met),
    )


def _meets(
    values: ReedValues, spread: ReedSpread, told: tuple[float, float] | None
) -> tuple[Pooled | None, Pooled | None]:
    """Where reeds meet by the readings alone, held to where chanters are; and with what was stated of the chanter too
    (told: its mean and standard deviation, cents), which `ask` and `rehearse` count too, where that tells more."""
    found = numbers.pooled(values, spread)
    if found is None:
        return None, None
    read = numbers.held(found, *MEETING_CENTS)
    both = numbers.held(read, *told) if told is not None else read
    return read, both if both.half < TELLS * read.half else read


def _witness(rows: _Readings) -> GWitness | None:
    """The G octave over low A where F and E meet, hertz as low A; None where it was never taken near there.

    A straight line over the gap, whose slope is not known beforehand but to G_SLOPE_SD, taken where the gap is nothing.
    """
    near = rows.where(np.isfinite(rows["g_over_a"]) & (np.abs(rows["gap"]) <= NEAR_CENTS) & rows["sound"])
    if not len(near["gap"]):
        return None
    hz = np.array(
        [hz_from_cents(a + g) - hz_from_cents(a) for a, g in zip(near["low_a"], near["g_over_a"], strict=True)]
    )
    line, prior = np.column_stack([np.ones(len(hz)), near["gap"]]), np.diag([0.0, G_SLOPE_SD**-2])
    coef = np.linalg.solve(line.T @ line + prior, line.T @ hz)
    # one reading's error of the difference is about a hertz until there are enough to tell
    var = (float(((hz - line @ coef) ** 2).sum()) + 3.0) / (len(hz) + 2.0)
    mean = float(coef[0])
    half = Z90 * math.sqrt(float(np.linalg.inv(line.T @ line / var + prior)[0, 0]))
    return GWitness(Interval(mean, mean - half, mean + half), len(hz), bool(abs(mean) <= max(AGREE_HZ, half)))


def _suits(crows: dict[str, Pooled], stock: list[tuple[str, str, float]], model: FittedModel) -> list[str]:
    """Reeds of the stock whose crow is under the one asked for, those that are nearest to it first."""
    found = []
    for name, kind, crow in stock:
        wanted = crows.get(kind)
        if wanted is None:
            continue
        code = model.coding.types.index(kind) if kind in model.coding.types else -1
        slope = max(float(model.type_coef(code)[1, 0]), 20.0)
        # where a reed of this chanter meets is known only to the scatter between reeds: leave that much in hand
        room = (wanted.mean - crow - math.sqrt(wanted.var + wanted.reed_sd**2)) / slope
        if room > 0:
            found.append((room, name))
    return [name for _, name in sorted(found)[:MOST_SUITS]]


def _why(
    read: Pooled | None,
    meets: Pooled | None,
    by_type: dict[str, Pooled | None],
    stated_hz: float | None,
    witness: GWitness | None,
    reeds: int,
) -> tuple[str, bool]:
    """What the chanter's figures rest on, and whether the evidence agrees. read, meets: as `_meets` has them."""
    if read is None or meets is None:
        return (f"stated to meet at {stated_hz:.1f} Hz, " if stated_hz else "") + UNREAD, True
    kind = f"{short(next(iter(by_type)))} " if len(by_type) == 1 else ""
    of_types = f"{len(by_type)} types and " if len(by_type) > 1 else ""
    rests = f"rests on {counted(reeds, f'{kind}reed')} of {of_types}{counted(meets.batches, 'batch', 'batches')}"
    rests += " and on the pitch stated" if meets is not read else ""
    rests += ", so it is wide" if reeds < 4 and meets.half > WIDE_CENTS else ""
    rests += f"; the readings alone say {spread(numbers.hz_interval(read), 1)} Hz" if meets is not read else ""
    alike, apart = [], []
    if stated_hz:
        off_hz, off_cents = hz_from_cents(read.mean) - stated_hz, abs(read.mean - cents_from_440(stated_hz))
        reads = (
            f"stated {stated_hz:.1f}, reads {abs(off_hz):.1f} {'higher' if off_hz > 0 else 'lower'} in the usual air"
        )
        if off_cents > read.half + AGREE_CENTS:
            apart.append(reads)
        elif off_cents > read.half:
            rests += f"; {reads}"
        else:
            alike.append("what was stated")
    types = [(kind, one) for kind, one in by_type.items() if one is not None and one.reeds >= 3]
    if len(types) > 1:
        low, high = (pick(types, key=lambda t: t[1].mean) for pick in (min, max))
        between = hz_from_cents(high[1].mean) - hz_from_cents(low[1].mean)
        if far_apart(low[1], high[1]) and between >= 0.5:
            apart.append(f"{high[0]} meets {between:.1f} Hz over {low[0]}")
        else:
            alike.append("the reed types" + (f", to {between:.1f} Hz" if between >= 0.5 else ""))
    if witness is not None:
        g = witness.offset_hz.mean
        if witness.agrees:
            off = witness.offset_hz.low > 0.0 or witness.offset_hz.high < 0.0
            alike.append("the G octave" + (f", to {abs(g):.1f} Hz" if off else ""))
        else:
            apart.append(
                f"the G octave reads {abs(g):.1f} Hz {'under' if g < 0 else 'over'} low A at the meeting point"
            )
    if apart:
        return f"{rests}; the evidence does not agree: {', '.join(apart)}", False
    return rests + (f"; the evidence agrees: {', '.join(alike)}" if alike else "; nothing else bears it out yet"), True
