"""Made-up findings for the tests of pictures, page and ticket. Invented names and numbers, seeded."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from typing import Any

from trimfit.base.answers import Advice
from trimfit.base.pitch import NOTES
from trimfit.base.records import Action, Order
from trimfit.base.units import Interval
from trimfit.regression.coefficients import Term
from trimfit.regression.movement.coefficients import MovementTerms
from trimfit.regression.second_opinion import SecondOpinion
from trimfit.review import results as f
from trimfit.review.statistics.repeatability import NoteRepeatability

NASTY = (
    "<script>alert('reed')</script>",
    "🎶 reed 🪈 $x_1^2$ & \"quotes\" 'n' --><!-- ]]>",
    "long " * 60,
    "../../etc/x\\y:z",
    "=1+1\u202eevil\u0000\x1b[31m\nsecond line",
    "\ud800 lone",
    ' id="a" url(#b) #ad4516 style="fill:red"',
    "",
)


def about(mean: float, half: float) -> Interval:
    return Interval(mean, mean - half, mean + half)


def story(reed: str = "R-0412", *, cut_mm: float = 0.15, points: int = 3, fan: bool = True) -> f.ReedStory:
    """A reed that meets at 474 Hz about 0.22 mm further on."""
    read = tuple(
        f.StoryPoint(
            0.2 * i, 466.0 + 2.5 * i, 478.2 - 1.4 * i, f"2031-03-0{i + 1}T10:00", "A's disagree" if i == 1 else ""
        )
        for i in range(points)
    )
    now = 0.2 * max(points - 1, 0)
    ahead = tuple(
        f.FanPoint(now + d, about(471.0 + 12.0 * d, 0.5 + 3 * d), about(475.4 - 7.0 * d, 0.5 + 2 * d))
        for d in (0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4)
    )
    advice = Advice(
        reed,
        "band 9",
        "trim",
        cut_mm,
        0,
        about(-16.0, 3.0),
        about(-4.0, 4.0),
        about(473.9, 0.7),
        0.004,
        1.4,
        "F is 16 cents under E",
    )
    return f.ReedStory(
        reed, "cane", "B-17", "Ch-3", "band 9", now, 1.0, read, ahead if fan else (), advice, about(473.8, 0.7), None
    )


def run(order: str = "band 9", reeds: int = 60, names: tuple[str, ...] = ()) -> f.RunMap:
    rng = random.Random(4)
    actions: tuple[Action, ...] = ("trim", "trim", "trim", "read-again", "finished", "past", "no-fit")
    made = []
    for i in range(reeds):
        action = actions[i % 7]
        gap = {"finished": rng.uniform(-3, 3), "past": rng.uniform(5, 12)}.get(action, rng.uniform(-45, -6))
        name = names[i % len(names)] if names else f"R-{400 + i:04d}"
        advice = run_advice(name, action, 0.01 * round(-gap) if action == "trim" else 0.0, reason="a word on why")
        made.append(f.RunReed(advice, about(gap, 3.0), about(473.0 + 0.05 * gap + rng.gauss(0, 0.8), 0.6)))
    return f.RunMap(Order(order, "Ch-3", None, 40, due_on="2031-04-01"), tuple(made), 3.7, about(473.8, 0.6))


def run_advice(reed: str, action: Action, length_mm: float = 0.0, lip_strokes: int = 0, **more: Any) -> Advice:
    """Advice on a reed of a run."""
    return Advice(reed, None, action, length_mm, lip_strokes, None, None, None, 0.004, 1.3, "", **more)


def batches(count: int = 27, drifted: int = 3) -> tuple[f.BatchDrift, ...]:
    rng = random.Random(7)
    found = []
    for i in range(count):
        off = drifted and i % max(1, count // drifted) == max(1, count // drifted) - 1
        start = rng.gauss(0, 5) + (42 if off else 0)
        found.append(
            f.BatchDrift(
                f"B-{i + 1:02d}",
                ("cane", "moulded", "hybrid")[i % 3],
                14,
                about(start, 8),
                about(rng.gauss(0, 5), 9),
                about(rng.gauss(0, 1), 2) if i % 4 else None,
                0.99 if off else 0.08,
                bool(off),
                f"starts {start:.0f} cents off its type" if off else "within its type's norm",
                f"2030-{1 + i % 12:02d}-01",
                i + 1,
                0,
                1,
            )
        )
    return tuple(found)


def chart(kind: str = "individuals", points: int = 24) -> f.Chart:
    rng = random.Random(9)
    made = []
    for i in range(points):
        value = rng.gauss(0, 4) + (18 if i == points - 3 else 0)
        made.append(
            f.ChartPoint(
                f"B-{i + 1:02d}",
                value,
                -13.0,
                13.0,
                abs(value) > 13,
                -abs(rng.gauss(0, 3)) if kind == "cusum" else None,
            )
        )
    return f.Chart("cane", "start, against the norm", "cents", kind, 0.0, tuple(made), "cane starts sharper since B-20")


def chanter(name: str = "Ch-3", pitch_hz: float = 474.0, crow_hz: float = 540.0) -> f.ChanterMap:
    rng = random.Random(len(name))
    points = []
    for i in range(60):
        kind = ("cane", "moulded")[i % 2]
        gap = rng.uniform(-40, 6)
        points.append(
            f.CrowPoint(f"R-{i}", kind, crow_hz + (8 if kind == "cane" else -6) + gap * 0.5 + rng.gauss(0, 2), gap)
        )
    return f.ChanterMap(
        name,
        60,
        21,
        about(pitch_hz, 0.5),
        473.0,
        (f.CrowAsked("cane", about(crow_hz + 8, 2.0), 11), f.CrowAsked("moulded", about(crow_hz - 6, 3.0), 10)),
        tuple(points),
        f.GWitness(about(-0.3, 0.6), 14, True),
        ("R-0501", "R-0502"),
        "meeting pitch and G octave agree",
    )


def noted(found: f.ChanterMap, words: str = "F 14 cents sharp of its kind: carved?") -> f.ChanterMap:
    """The chanter with its nine notes; where there are words, F is the unusual one."""
    notes = tuple(
        f.ChanterNote(note, about(14.0 if odd else 1.0 - i % 3, 2.0), about(14.0 if odd else 0.4 * i, 3.0), odd)
        for i, note in enumerate(NOTES)
        for odd in (bool(words) and note == "f",)
    )
    return replace(found, notes=notes, of_notes=words)


def one_pitch(names: tuple[str, ...] = ()) -> f.PitchCurve:
    """Two orders at 477.5 and 478 Hz whose chanters meet about 476."""
    pitches = [474.5 + 0.5 * i for i in range(14)]
    at = tuple(
        f.AtPitch(hz, 200.0 + 60.0 * abs(hz - 476.0) ** 1.5, 6.0 / (1.0 + abs(hz - 476.0)), 150.0) for hz in pitches
    )
    return f.PitchCurve(names or ("band 9", "solo"), (477.5, 478.0), 6, at)


def c(output: str, term: str, value: Interval, assumed: bool = False) -> Term:
    return Term(output, term, value, assumed)


def types(count: int = 3) -> tuple[f.TypeResponse, ...]:
    made = []
    for i in range(count):
        made.append(
            f.TypeResponse(
                ("cane", "moulded", "hybrid")[i % 3] + ("" if i < 3 else f" {i}"),
                140 - 30 * i,
                (
                    c("f", "per_mm", about(44 + 9 * i, 3)),
                    c("e", "per_mm", about(-26 - 4 * i, 2)),
                    c("gap", "per_mm", about(70 + 13 * i, 3)),
                    c("crow", "per_mm", about(95 + 8 * i, 5)),
                    c("gap", "curvature", about(3.0 + i, 1.2)),
                    c("gap", "per_stroke", about(0.8, 0.3)),
                    c("crow", "per_stroke", about(-2.0, 0.4)),
                    c("bottom", "per_kpa", about(4.0 - i, 0.8)),
                    c("top", "per_kpa", about(7.5 - 1.5 * i, 0.9)),
                    c("all", "per_degc", about(3.0, 0.3), i == 2),
                ),
            )
        )
    return tuple(made)


def moving(kinds: tuple[f.TypeResponse, ...], names: tuple[str, ...] = ()) -> tuple[f.TypeResponse, ...]:
    """These types as they move with no work done, and others of these names of which nothing else is known."""
    walks = about(0.6, 0.1), about(1.8, 0.3), about(0.9, 0.1)
    means = (
        "a reed left for a week is known to ± 3 cents of gap (nine in ten), beside the error of its reading and jumps"
    )
    every = (*kinds, *(f.TypeResponse(name, 1) for name in names))
    return tuple(
        replace(
            kind,
            movement=MovementTerms(
                *walks, 0.7, -0.4, 0.5, 0.006, 3.0, 48 * place, False, about(0.7, 0.3), about(-0.4, 0.2), ("work",)
            ),
            means=f"{kind.reed_type}: {means}",
        )
        for place, kind in enumerate(every)
    )


def against_time(story: f.ReedStory) -> f.ReedStory:
    """The story with three visits ten days apart, a cut at each, and an event."""
    days = [21975.4, 21985.3, 21985.4, 21995.3, 21995.4, 22004.0]
    points = tuple(
        f.TimePoint(day, about(466.0 + 0.2 * i, 0.3 + 0.4 * (i % 2)), about(478.0 - 0.2 * i, 0.3 + 0.4 * (i % 2)))
        for i, day in enumerate(days)
    )
    read = tuple(replace(point, day=days[2 * i] if 2 * i < 6 else None) for i, point in enumerate(story.points))
    marks = (f.TimeMark(21975.5, "0.20 mm", True), f.TimeMark(21985.5, "0.20 mm", True),
             f.TimeMark(21990.2, "soaked", False))  # fmt: skip
    return replace(story, points=read, in_time=points, marks=marks)


def validation(readings: int = 400) -> f.Validation:
    rng = random.Random(11)
    cover = tuple((float(p), p + q) for p, q in ((50, 1.4), (80, -0.6), (90, -0.8), (95, 0.3)))
    rows = tuple(
        f.ValidationRow(output, kind, 900, 2.1 + 0.3 * i, 5.5 + 0.2 * i, 4.0 if output == "gap" else None, cover)
        for i, output in enumerate(("gap", "crow", "e", "f", "low_a", "low_g", "b", "high_a"))
        for kind in ("", "cane")
    )
    misses = tuple(
        (output, tuple((rng.uniform(*span), rng.gauss(0, 2), rng.gauss(0, 5)) for _ in range(readings)))
        for output, span in (("gap", (-60.0, 6.0)), ("crow", (280.0, 420.0)), ("low_a", (90.0, 140.0)))
    )
    return f.Validation(rows, misses, (f.GapError(0, 60, 8.1, 14.0), f.GapError(1, 300, 2.5, 3.6)))


def opinions() -> tuple[SecondOpinion, ...]:
    words = "cane: the first half millimetre moves the gap by 29.0 cents: they agree"
    return (SecondOpinion("cane", words, per_mm=about(58.0, 4.0), own_per_mm=about(60.0, 3.0)),)


def reading_error(output: str, same: float, other: float, condition: float, readings: int) -> NoteRepeatability:
    within, total = about(same, 0.1), about(other, 0.1)
    return NoteRepeatability(output, 80, within, total, 0.4, condition, readings, readings, 0, "")


def ticket(reed: str = "R-0412") -> f.Ticket:
    off = {"low_g": -1.1, "low_a": 0.0, "b": 0.4, "c": -0.6, "d": 0.9, "e": 0.2, "f": -0.2, "high_a": 0.1}
    notes = [f.TicketNote(note, 473.6 + d, about(473.8 + d, 0.5)) for note, d in off.items()]
    notes.append(f.TicketNote("high_g", None, about(472.0, 2.0)))
    return f.Ticket(
        reed,
        "cane",
        "B-17",
        "band 9",
        "Ch-3",
        "2031-03-03T10:12",
        4,
        about(473.8, 0.6),
        473.8,
        None,
        about(-0.6, 2.4),
        1.0,
        about(541.0, 3.0),
        6.4,
        20.5,
        tuple(notes),
        ("One reading's A's disagreed by 1.4 Hz; it counts for less.",),
        read_kpa=6.4,
        read_c=20.5,
    )


def report(names: tuple[str, ...] = ()) -> f.Report:
    """A report with every part; `names` go wherever a name can stand."""
    n = names or ("R-0412", "R-0413", "R-0414")
    found = batches()
    if names:
        found = tuple(
            f.BatchDrift(
                names[i % len(names)],
                names[(i + 1) % len(names)],
                b.reeds,
                b.start_shift_cents,
                b.response_shift_pct,
                b.settle_cents_per_week,
                b.chance_drifted,
                b.drifted,
                names[0],
                b.made_on,
                b.made_index,
            )
            for i, b in enumerate(found)
        )
    chanters = (noted(chanter()), noted(chanter("old flat", 470.2, 556.0), ""), chanter("Ch-1", 476.1, 538.0))
    if names:
        chanters += tuple(noted(chanter(name, 472.0 + i, 530.0 + 3 * i), name) for i, name in enumerate(names))
    return f.Report(
        shop=names[0] if names else "the shop on the hill",
        invented=True,
        as_of="2031-03-10 08:15",
        log_until="2031-03-09T17:40",
        reeds=412,
        readings=1530,
        trims=980,
        runs=(run(names=names), run(names[1] if names else "solo", 5)),
        one_pitch=one_pitch(names),
        stories=tuple(against_time(story(name)) for name in n),
        batches=found,
        charts=(chart(), chart("ewma"), chart("cusum")),
        chanters=chanters,
        opinions=opinions(),
        types=moving(types(), names),
        starts=(f.StartSpread("cane", "gap", "cents", 140, -31.0, -58.0, -4.0),),
        validation=validation(),
        repeatability=(reading_error("gap", 1.3, 1.9, 1.8, 4), reading_error("crow", 3.0, 3.1, math.nan, 24)),
    )
