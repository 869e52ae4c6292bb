"""The numbers that pictures, page and ticket show. Frozen; no drawing, no words of layout, the unit in every name.

Pitches of notes are *as low A* (sounding frequency over the note's just ratio) and in hertz, since that is what
the bench reads; the gap and every shift are in cents. An `Interval` is 90 % unless the field says otherwise.
Any part of a `Report` may be empty: the page then says what is missing and how to get it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from trimfit.base.answers import Advice
from trimfit.base.pitch import crow_label
from trimfit.base.records import Order
from trimfit.base.units import Interval

if TYPE_CHECKING:
    from trimfit.regression.coefficients import Term
    from trimfit.regression.movement.coefficients import MovementTerms
    from trimfit.regression.second_opinion import SecondOpinion
    from trimfit.review.statistics.repeatability import NoteRepeatability


@dataclass(frozen=True, slots=True)
class StoryPoint:
    """One reading of a reed: length off so far, F and E as low A (None where not taken), and the doubt if any.
    `day` as in TimePoint."""

    removed_mm: float
    f_hz: float | None = None
    e_hz: float | None = None
    taken_at: str = ""
    doubt: str = ""
    day: float | None = None


@dataclass(frozen=True, slots=True)
class FanPoint:
    """The posterior of F and E as low A when `removed_mm` in all has come off."""

    removed_mm: float
    f_hz: Interval
    e_hz: Interval


@dataclass(frozen=True, slots=True)
class TimePoint:
    """What the log says of F and E as low A at a moment, with what had come off by then. `day`: days since 1970 by the
    log's own clock."""

    day: float
    f_hz: Interval
    e_hz: Interval


@dataclass(frozen=True, slots=True)
class TimeMark:
    """What was done to a reed or happened to it: `words`, and whether it was a cut. `day` as in TimePoint."""

    day: float
    words: str
    cut: bool


@dataclass(frozen=True, slots=True)
class ReedStory:
    """One reed: its readings, the posterior's fan forward, the advice, and the meeting pitch.

    `removed_mm` is what is off now; `tolerance_hz` the shop's tolerance as low A; `conditions`: the pressure and warmth
    that the readings were taken to. `in_time`, `marks`: the reed against time, empty where it was read in one sitting
    only.
    """

    reed: str
    reed_type: str
    batch: str
    chanter: str | None = None
    order: str | None = None
    removed_mm: float = 0.0
    tolerance_hz: float = 1.0
    points: tuple[StoryPoint, ...] = ()
    fan: tuple[FanPoint, ...] = ()
    advice: Advice | None = None
    meet_pitch_hz: Interval | None = None
    target_pitch_hz: float | None = None
    conditions: str = ""
    in_time: tuple[TimePoint, ...] = ()
    marks: tuple[TimeMark, ...] = ()


@dataclass(frozen=True, slots=True)
class RunReed:
    """One reed of a run: what to do with it, and its gap and its pitch as low A now, None for one whose F and E were
    never read. `f_then_hz`, `e_then_hz`: what its next reading should show, sounding, after what is to be taken off,
    where the order's chanter is away in the one that stands in for it; None where nothing is left to do."""

    advice: Advice
    gap_cents: Interval | None
    pitch_hz: Interval | None
    f_then_hz: float | None = None
    e_then_hz: float | None = None

    @property
    def why(self) -> str:
        """The reason for the advice, and what it leans on."""
        return self.advice.because()


@dataclass(frozen=True, slots=True)
class RunMap:
    """The reeds in hand for one order, in the order of the work list. `tolerance_cents`: the shop's tolerance as low A,
    in cents at this pitch; `progress`: how far the order has come, in words."""

    order: Order
    reeds: tuple[RunReed, ...] = ()
    tolerance_cents: float = 3.7
    meet_pitch_hz: Interval | None = None
    progress: str = ""


@dataclass(frozen=True, slots=True)
class OpenOrder:
    """An order that still wants something: how far it has come, in words, and whether its day has gone by."""

    order: str
    chanter: str
    progress: str
    overdue: bool = False
    in_work: int = 0


@dataclass(frozen=True, slots=True)
class FinishedReed:
    """A reed that has left the bench: how, when (as its log's clock stood), what was taken off it in how many cuts, the
    last gap read (cents), and where F and E met as it left; None where they were never read."""

    reed: str
    order: str | None
    outcome: str
    left_at: str
    removed_mm: float = 0.0
    cuts: int = 0
    last_gap_cents: float | None = None
    meet_pitch_hz: Interval | None = None


@dataclass(frozen=True, slots=True)
class BatchDrift:
    """One batch against its type's norm (one for all of the type's batches). `made_index`: its place in the order of
    making, from 1.

    `ended_past` and `ended_short`: how many of its reeds were lost past the meeting point, or called good short of it.
    `settle_cents_per_week` is what the batch does; `settle_norm_cents_per_week` what its type does.
    """

    batch: str
    reed_type: str
    reeds: int
    start_shift_cents: Interval
    response_shift_pct: Interval
    settle_cents_per_week: Interval | None
    chance_drifted: float
    drifted: bool
    why: str
    made_on: str | None = None
    made_index: int = 0
    ended_past: int | None = None
    ended_short: int | None = None
    settle_norm_cents_per_week: float = 0.0
    unsure: bool = False

    @property
    def settle_shift_cents_per_week(self) -> Interval | None:
        """How much faster or slower than its type the batch settles."""
        found, norm = self.settle_cents_per_week, self.settle_norm_cents_per_week
        return None if found is None else Interval(found.mean - norm, found.low - norm, found.high - norm)


@dataclass(frozen=True, slots=True)
class DriftLimits:
    """What the shop cares about: a batch further off its norm than this counts as off."""

    start_cents: float = 15.0
    response_pct: float = 15.0
    settle_cents_per_week: float = 5.0

    @property
    def gap_start_cents(self) -> float:
        """The limit of the gap's start, taken as cents of crow: the length that takes back one takes back the other. It
        strays more in the ordinary way (reeds of one crow meet at different lengths), so twice the crow's counts."""
        return 2.0 * self.start_cents


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """One point of a control chart. Its limits may differ from point to point (batches of unequal size).

    `lower` None: one-sided. `second`: the downward sum of a two-sided cumulative sum, as a value below zero. `made_on`:
    the day of making, empty where it is not known.
    """

    label: str
    value: float
    lower: float | None = None
    upper: float | None = None
    signal: bool = False
    second: float | None = None
    made_on: str = ""


@dataclass(frozen=True, slots=True)
class Chart:
    """A control chart in the order of making.

    `kind`: how the points were made (`individuals`, `ewma`, `cusum`). `dated`: the days of making are known,
    else the batches stand by name.
    `what`: the quantity in words; `unit`: its unit; `why`: one sentence on what was found.
    """

    reed_type: str
    what: str
    unit: str
    kind: str
    centre: float
    points: tuple[ChartPoint, ...] = ()
    why: str = ""
    dated: bool = True


@dataclass(frozen=True, slots=True)
class CrowAsked:
    """The crow that reeds of one type have when they meet in this chanter."""

    reed_type: str
    crow_hz: Interval
    reeds: int


@dataclass(frozen=True, slots=True)
class TypeMeets:
    """Where reeds of one type meet in this chanter (Hz as low A), and how many of them were read in it: every reed read
    there with F and E is of one of these types. `crow`: that they have there, where it is known."""

    reed_type: str
    meet_pitch_hz: Interval
    reeds: int
    crow: CrowAsked | None = None


@dataclass(frozen=True, slots=True)
class CrowPoint:
    """One reading in this chanter that holds a crow and a gap."""

    reed: str
    reed_type: str
    crow_hz: float
    gap_cents: float


@dataclass(frozen=True, slots=True)
class GWitness:
    """The G octave at the meeting point: how far above (plus) or below low A it reads, in hertz as low A."""

    offset_hz: Interval
    readings: int
    agrees: bool


NOTES_WORDS = (
    "Each note as low A, less the meeting pitch; beside it the note less where its own other notes and the other "
    "chanters (of its kind, or where it has none of the shop) would have it. In cents; + is sharp."
)
"""What the figures of a chanter's notes are."""


@dataclass(frozen=True, slots=True)
class ChanterNote:
    """One note of a chanter at the meeting point, as low A: how far it lies from the meeting pitch, how far from what
    its kind (or the shop's chanters) would have it at, and whether that is more than notes differ by chance."""

    note: str
    offset_cents: Interval
    unusual_cents: Interval
    unusual: bool = False


@dataclass(frozen=True, slots=True)
class StockReed:
    """A reed of the stock for a chanter: how much is to come off in all, mm, a guess where `cuts_known` is False, and
    the chance that it ends good."""

    reed: str
    length_mm: float
    chance_good: float
    cuts_known: bool = True


@dataclass(frozen=True, slots=True)
class ChanterMap:
    """What one chanter asks for. `meet_pitch_hz` is where a usual reed of the types in `by_type` meets, of one type
    or of several together, by the readings and the pitch stated. `by_type`: of each. `told_…`: what the maker was
    told by its owner, if anything; `suits`: stock reeds for it, by their crow; `stock`: the first that `pick` names
    for `stock_for`, the order of this chanter that is due first, or where none is open, wherever F and E meet;
    `stock_more`: how many more; `agrees`: the stated pitch, the reed types and the G octave say the same;
    `pressure_kpa`, `temperature_c`: at which all of it is said, None where nobody ever logged one; `of_notes`: what
    `why` says of the notes; `away`: somebody said that it is."""

    chanter: str
    readings: int = 0
    reeds: int = 0
    meet_pitch_hz: Interval | None = None
    told_pitch_hz: float | None = None
    asked: tuple[CrowAsked, ...] = ()
    points: tuple[CrowPoint, ...] = ()
    g_octave: GWitness | None = None
    suits: tuple[str, ...] = ()
    why: str = ""
    agrees: bool = True
    pressure_kpa: float | None = None
    kind: str | None = None
    notes: tuple[ChanterNote, ...] = ()
    of_notes: str = ""
    stock: tuple[StockReed, ...] = ()
    stock_for: str | None = None
    stock_more: int = 0
    temperature_c: float | None = None
    told_crow_hz: float | None = None
    told_crow_type: str | None = None
    away: bool = False
    by_type: tuple[TypeMeets, ...] = ()

    def meets_with(self, reed_type: str) -> Interval | None:
        """Where reeds of a type meet in it; where none of it was read, what the chanter's other reeds say."""
        return next((one.meet_pitch_hz for one in self.by_type if one.reed_type == reed_type), self.meet_pitch_hz)

    def told_words(self, *, pitch: bool = True) -> str:
        """`crow C#-20 (hard moulded), pitch 471.0 Hz`: what was stated of it, with its pitch or without; empty where
        nothing was."""
        of = f" ({self.told_crow_type})" if self.told_crow_type else ""
        said = [f"crow {crow_label(self.told_crow_hz)}{of}"] if self.told_crow_hz else []
        return ", ".join(said + ([f"pitch {self.told_pitch_hz:.1f} Hz"] if pitch and self.told_pitch_hz else []))

    def air_words(self) -> str:
        """`6.0 kPa, 19.3 °C`: at what all of it is said; empty where nobody ever logged that."""
        said = [f"{self.pressure_kpa:.1f} kPa"] if self.pressure_kpa else []
        return ", ".join(said + ([f"{self.temperature_c:.1f} °C"] if self.temperature_c is not None else []))

    def stock_words(self, most: int) -> list[str]:
        """Some of the stock, each with what is to come off and its chance where that was worked out: `R-0183 0.07 mm
        96 %`."""
        lengths = [f"{one.length_mm:.2f}" if one.cuts_known else "-" for one in self.stock]
        said = [
            f"{one.reed} {mm} mm {100 * one.chance_good:.0f} %" for one, mm in zip(self.stock, lengths, strict=True)
        ]
        return (said or list(self.suits))[:most]


def hours_words(work_minutes: float, minutes: float, empty: int = 0) -> str:
    """`2.7 hours of work, 3.6 with what lost reeds cost`: work is cuts and readings alone; empty: how many places stay
    empty, the price of which `minutes` counts too."""
    what = "lost reeds and empty places" if empty else "lost reeds"
    return f"{work_minutes / 60:.1f} hours of work, {minutes / 60:.1f} with what {what} cost"


@dataclass(frozen=True, slots=True)
class AtPitch:
    """All orders at one pitch: expected cost in minutes, how many reeds are expected to end good, the minutes of their
    cuts and readings alone, and how many places stay empty."""

    pitch_hz: float
    minutes: float
    good: float
    bench_minutes: float = 0.0
    empty: int = 0


@dataclass(frozen=True, slots=True)
class PitchCurve:
    """Orders of one set at pitches about those they ask for (`targets_hz`): how many reeds they want in all, and what
    each pitch would cost."""

    orders: tuple[str, ...]
    targets_hz: tuple[float, ...]
    wanted: int
    at: tuple[AtPitch, ...]

    @property
    def best(self) -> AtPitch:
        """The pitch that costs least."""
        return min(self.at, key=lambda one: one.minutes)


@dataclass(frozen=True, slots=True)
class TypeResponse:
    """How reeds of one type answer, and how they move with no work done on them. `coefficients` in any order; those not
    learned are left out. `means`: what the movement means at the bench, one sentence."""

    reed_type: str
    reeds: int
    coefficients: tuple[Term, ...] = ()
    movement: MovementTerms | None = None
    means: str = ""


WIDE_START_CENTS = 200.0
"""New reeds of a type lie much closer together than this: a wider interval is one of too few reeds."""


@dataclass(frozen=True, slots=True)
class StartSpread:
    """Where new reeds of a type start: an interval that holds `content_pct` of them with `confidence_pct`."""

    reed_type: str
    what: str
    unit: str
    reeds: int
    mean: float
    low: float
    high: float
    content_pct: float = 90.0
    confidence_pct: float = 95.0

    @property
    def too_wide(self) -> bool:
        """Whether so few reeds were read that their interval says nothing of use."""
        cents = 1200.0 * math.log2(self.high / self.low) if self.unit == "Hz" else self.high - self.low
        return cents > WIDE_START_CENTS


FEW_HELD_OUT = 20
"""Fewer held-out readings than these are called few."""
AS_GOOD = 0.05
"""Two errors that differ by no more than this share are called about as good."""


@dataclass(frozen=True, slots=True)
class ValidationRow:
    """Held-out readings of one output and type (`reed_type` empty: all types).

    Errors are root mean squares in cents, all of the same `readings`, slips left out: of the model, of the type's
    average slope, of the reed's own last slope. `coverage`: what intervals state to hold and what share of the readings
    they held, per cent each, of all `predicted_readings`, slips and first readings of an output too.
    `learned_readings`: of those compared, how many are of a type with another batch.
    """

    output: str
    reed_type: str
    readings: int
    error_cents: float
    type_average_error_cents: float | None = None
    last_slope_error_cents: float | None = None
    coverage: tuple[tuple[float, float], ...] = ()
    predicted_readings: int = 0
    learned_readings: int = 0


@dataclass(frozen=True, slots=True)
class GapError:
    """The gap's error by how often F and E were read before (0: predicted from the crow alone). `rule_error_cents`: of
    the type's average slope; before any reading, of the mean first gap of the type's other batches (None: it has none).
    Root mean squares in cents."""

    readings_before: int
    readings: int
    error_cents: float
    rule_error_cents: float | None


@dataclass(frozen=True, slots=True)
class Validation:
    """Predicted against observed, each batch left out of the coefficients. `misses`: an output's key, and for each of
    its readings what was found, and found less predicted by the model and by the type's average slope, in cents."""

    rows: tuple[ValidationRow, ...] = ()
    misses: tuple[tuple[str, tuple[tuple[float, float, float], ...]], ...] = ()
    by_gap_readings: tuple[GapError, ...] = ()


@dataclass(frozen=True, slots=True)
class TicketNote:
    """One note on the ticket, as low A. `read_hz`: as last read since the reed was worked, None where it was not;
    `predicted_hz`: by all readings, which is what the card shows."""

    note: str
    read_hz: float | None = None
    predicted_hz: Interval | None = None

    def off_hz(self, tolerance_hz: float) -> float:
        """How far it was last read from what all readings say; 0 where that is within tolerance."""
        if self.read_hz is None or self.predicted_hz is None:
            return 0.0
        off = self.read_hz - self.predicted_hz.mean
        return off if abs(off) > tolerance_hz else 0.0

    def is_odd(self, tolerance_hz: float) -> bool:
        """Whether it was last read out of tolerance of what all readings say, and out of their interval."""
        span = self.predicted_hz
        off = self.off_hz(tolerance_hz)
        return span is not None and bool(off) and not span.low <= span.mean + off <= span.high


@dataclass(frozen=True, slots=True)
class Ticket:
    """The card that goes with a reed. `aim_hz`: the pitch as low A that notes are compared with (the order's target,
    else where F and E meet); `read_at`: when it was last read, as the log has it; `readings`: on how many it rests;
    `pressure_kpa`, `temperature_c`: what all of it is said for, what was read having been taken to it; `read_kpa`,
    `read_c`: at what it was last read; `low_g_ratio`: low G over low A in the shop's scale; `ordered_kpa`: the pressure
    that the order asks for.

    Where the chanter is away, `read_in` is the one at hand in which the notes were read (None: in none yet) and F less
    E was `gap_here_cents`; `gap_cents` is then what it should be there, and the chances are of being within tolerance
    and past it there, None while work is left to do.

    `unread_by`: by what the gap and the pitch are predicted where F and E were not read in the chanter. `unfinished`:
    work is left to do, and the card is the bench's own.
    """

    reed: str
    reed_type: str
    batch: str
    order: str | None = None
    chanter: str | None = None
    read_at: str | None = None
    readings: int = 0
    meet_pitch_hz: Interval | None = None
    aim_hz: float | None = None
    target_pitch_hz: float | None = None
    gap_cents: Interval | None = None
    tolerance_hz: float = 1.0
    crow_hz: Interval | None = None
    pressure_kpa: float | None = None
    temperature_c: float | None = None
    notes: tuple[TicketNote, ...] = ()
    cautions: tuple[str, ...] = ()
    read_in: str | None = None
    gap_here_cents: Interval | None = None
    chance_within: float | None = None
    chance_past: float | None = None
    low_g_ratio: float = 8.0 / 9.0
    unread_by: str | None = None
    ordered_kpa: float | None = None
    unfinished: bool = False
    read_kpa: float | None = None
    read_c: float | None = None


@dataclass(frozen=True, slots=True)
class Report:
    """All that the page shows. `invented` names an invented shop; `as_of`: the moment that answers are of; `log_until`
    is the log's last time, as its clock stood; `finished`: the reeds that left last, `finished_in_all` how many ever
    left."""

    shop: str = ""
    invented: bool = False
    as_of: str = ""
    log_until: str = ""
    reeds: int = 0
    readings: int = 0
    trims: int = 0
    runs: tuple[RunMap, ...] = ()
    orders: tuple[OpenOrder, ...] = ()
    one_pitch: PitchCurve | None = None
    finished: tuple[FinishedReed, ...] = ()
    finished_in_all: int = 0
    stories: tuple[ReedStory, ...] = ()
    batches: tuple[BatchDrift, ...] = ()
    drift_limits: DriftLimits = field(default_factory=DriftLimits)
    charts: tuple[Chart, ...] = ()
    chanters: tuple[ChanterMap, ...] = ()
    types: tuple[TypeResponse, ...] = ()
    starts: tuple[StartSpread, ...] = ()
    validation: Validation | None = None
    repeatability: tuple[NoteRepeatability, ...] = ()
    opinions: tuple[SecondOpinion, ...] = ()


def _tenths(cents: float) -> str:
    """A size to a tenth; never as none."""
    return f"{cents:.1f}" if cents >= 0.05 else "under 0.1"


def held_out_words(
    readings: int, error_cents: float | None, rule_error_cents: float | None, learned_readings: int
) -> list[str]:
    """How far off gaps of batches left out of the coefficients were predicted, and whether that beats the simple rule:
    two sentences. readings: on how many that rests; errors: root mean squares in cents; learned_readings: how many of
    them are of types with another batch. Under FEW_HELD_OUT of those neither is called better."""
    if not readings or error_cents is None:
        return [
            "How far off predictions are is not known yet: it takes a reed whose F and E were read before and after a "
            "cut, then trimfit learn."
        ]
    of = f"{readings:,} reading{'' if readings == 1 else 's'}"
    few = " Few, so these figures may change much." if readings < FEW_HELD_OUT else ""
    error, rule = ("" if rms is None else _tenths(rms) for rms in (error_cents, rule_error_cents))
    missed = (
        f"A gap read again was predicted to {error} cents, its batch left out of the coefficients (root mean "
        f"square of {of}; those that a rule missed wildly are left out)."
    )
    if rule_error_cents is None:
        return [missed + few]
    if learned_readings < FEW_HELD_OUT:
        return [
            missed + few,
            "Whether that beats the simple rule, the last reading plus the type's average slope, is not known yet: it "
            f"takes {FEW_HELD_OUT} such readings of types with two batches or more.",
        ]
    share = error_cents / max(rule_error_cents, 1e-9) - 1.0
    alike = error == rule or abs(share) <= AS_GOOD
    verdict = "about as good as" if alike else "worse than" if share > 0 else "better than"
    return [
        missed,
        f"That is {verdict} the simple rule, the last reading plus the type's average slope: {rule} cents.",
    ]
