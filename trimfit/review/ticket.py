"""The card that goes with a reed: one A6 page as PDF and PNG. It claims no more than is known."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from statistics import NormalDist

from trimfit.base.normal import Z90
from trimfit.base.pitch import NOTES, cents_from_440, crow_label, hz_width_cents
from trimfit.base.plain_words import cents_words, chance_words
from trimfit.base.units import Interval
from trimfit.review import card_parts
from trimfit.review.card_parts import (
    LEFT,
    RIGHT,
    STRIP_LEFT,
    STRIP_RIGHT,
    between,
    paragraph,
    put_text,
    whole_parts,
    write_files,
)
from trimfit.review.page.page_parts import number
from trimfit.review.pictures.shop import OUTPUT_WORDS
from trimfit.review.pictures.style import LIGHT, Axes, Figure, card, plain
from trimfit.review.results import Ticket, TicketNote
from trimfit.review.safe_names import file_stem

_ROW_MM, _STRIP_CENTS = 4.7, 15.0
_LAST_LINE_MM = 138.5
UNLIKELY = 0.1
"""What is within tolerance with less of a chance is said not to be: what is outside of a 90 % interval."""


def write(folder: Path, ticket: Ticket, stem: str = "") -> list[Path]:
    """Write `ticket-REED.pdf` and `ticket-REED.png` into `folder`, made if needed. stem: the reed's, among several.

    The same ticket gives the same bytes. Raises OSError where the folder cannot be written.
    """
    return write_files(folder, f"ticket-{stem or file_stem(ticket.reed)}", pdf_and_png(ticket))


def pdf_and_png(ticket: Ticket) -> tuple[bytes, bytes]:
    """The card as PDF (105 × 148 mm) and as PNG."""
    return card_parts.pdf_and_png(lambda: draw(ticket))


def _key(ticket: Ticket) -> str:
    """What the signs on this card mean: a hollow mark, or a value in brackets, only of a card that has one."""
    unread = any(one.read_hz is None and one.predicted_hz is not None for one in ticket.notes)
    off = any(one.off_hz(ticket.tolerance_hz) for one in ticket.notes)
    why = ["not read since the last work"] if unread else []
    why += [f"{'' if unread else 'last read '}over {ticket.tolerance_hz:g} Hz off"] if off else []
    hollow = f"{'Hollow' if ticket.aim_hz else 'Brackets'}: {', or '.join(why)}. " if why else ""
    return f"{hollow}Ranges: 9 in 10."


def do_not_send(ticket: Ticket) -> str:
    """Why a reed is not to be sent, as the heading of its card: work is left to do; or, whatever it was called, its
    readings in its chanter say so: F and E, or the pitch ordered, are within tolerance with less of a chance than
    UNLIKELY. Where it is likelier that F and E are off than not, to read it again. Empty for others."""
    if ticket.unfinished:
        return "Not finished: do not send"
    gap = ticket.gap_cents
    if gap is not None and not ticket.unread_by and ticket.read_in is None:
        within = _chance_within(gap, hz_width_cents(ticket.tolerance_hz, ticket.aim_hz or 470.0))
        if within < UNLIKELY:
            return "F and E do not meet: do not send"
        if within < 0.5:
            return "F and E may not meet: read it again"
    return "Not at the pitch ordered: do not send" if _off_pitch(ticket) else ""


def _off_pitch(ticket: Ticket) -> bool:
    """Whether by its readings in its chanter the reed is off the pitch ordered, but for a chance under UNLIKELY."""
    meets, target_hz = ticket.meet_pitch_hz, ticket.target_pitch_hz
    if meets is None or target_hz is None or ticket.unread_by or ticket.read_in is not None:
        return False
    off = Interval(*(end - target_hz for end in (meets.mean, meets.low, meets.high)))
    return _chance_within(off, ticket.tolerance_hz) < UNLIKELY


def _chance_within(off: Interval, tolerance: float) -> float:
    """The chance that what has this 90 % interval lies no farther from zero than the tolerance, as a normal."""
    normal = NormalDist(off.mean, max(off.high - off.low, 1e-6) / (2.0 * Z90))
    return normal.cdf(tolerance) - normal.cdf(-tolerance)


def verdict(ticket: Ticket) -> str:
    """What can be said of F and E, and of the pitch where it is not the one ordered, and how surely."""
    meets = ticket.meet_pitch_hz
    if ticket.unfinished or meets is None or not _off_pitch(ticket):
        return _of_the_gap(ticket)
    return f"{_of_the_gap(ticket)} It meets at {meets.mean:.1f} Hz, not at the {ticket.target_pitch_hz:.1f} Hz ordered."


def _of_the_gap(ticket: Ticket) -> str:
    """What can be said of F and E, in one sentence, and how surely."""
    gap, aim = ticket.gap_cents, ticket.aim_hz
    if gap is None:
        return "F and E were not read: nothing is known of where they meet."
    if ticket.unread_by:
        return f"F and E were not read in this chanter; by {ticket.unread_by} F less E should be {_cents(gap)}."
    if ticket.read_in is not None and ticket.gap_here_cents is not None:
        return _verdict_away(ticket, gap, ticket.gap_here_cents)
    tolerance = hz_width_cents(ticket.tolerance_hz, aim or 470.0)
    spread = _cents(gap)
    width = f"{ticket.tolerance_hz:g} Hz"
    if -tolerance <= gap.low and gap.high <= tolerance:
        return f"F and E meet to {width}: F less E is {spread}."
    if _is_past(ticket):
        return f"Past for this chanter: F less E is {spread}."
    if gap.high < -tolerance:
        return f"Not yet there: F less E is {spread}."
    return f"F less E is {spread}: {100 * _chance_within(gap, tolerance):.0f} % within {width}."


def _cents(gap: Interval) -> str:
    mean, low, high = (number(cents, f"+.{gap.decimals(1)}f") for cents in (gap.mean, gap.low, gap.high))
    return f"{mean} cents ({low} to {high})"


def _verdict_away(ticket: Ticket, there: Interval, here: Interval) -> str:
    """What was read in the chanter at hand, what is to be expected in the one that is away, and how sure that is."""
    spread = _cents(there)
    yours = plain(ticket.chanter or "", 24) if ticket.unfinished else "your chanter"
    said = (
        f"In {plain(ticket.read_in or '', 24)} F less E is {number(here.mean, f'+.{here.decimals(1)}f')} cents. "
        f"In {yours} it should be {spread}"
    )
    if ticket.chance_within is None or ticket.chance_past is None:
        return f"{said}."
    within, sharp = chance_words(ticket.chance_within), chance_words(ticket.chance_past)
    return f"{said}: {within} within {ticket.tolerance_hz:g} Hz, {sharp} sharp."


def how_to_check(ticket: Ticket) -> list[str]:
    """What to do, step by step, to see whether the card is right; nothing for a reed that is not finished."""
    if ticket.unfinished:
        return []
    pressure = f"Blow {ticket.pressure_kpa:.1f} kPa" if ticket.pressure_kpa else "Blow steadily"
    warmth = f" at about {ticket.temperature_c:.0f} °C" if ticket.temperature_c is not None else ""
    return [
        "Seat the reed until low A and high A agree.",
        f"{pressure}{warmth}; let the reed warm first.",
        *(_unfinished_steps(ticket) or (_where_to(ticket), *_g_octave(ticket))),
        *(_on_arrival(ticket) if ticket.read_in is not None else ()),
    ]


def _on_arrival(ticket: Ticket) -> tuple[str, ...]:
    """What the player does with a reed made far away: within tolerance nothing, on whichever side of E its F is."""
    size = cents_words(hz_width_cents(ticket.tolerance_hz, ticket.aim_hz or 470.0))
    return (
        f"F and E within about {size}: leave it. F flat of E by more: a little more length off, or send it back. "
        "F sharp of E by more: send it back.",
    )


def _is_past(ticket: Ticket) -> bool:
    """Whether F is surely over E by more than the tolerance, in the chanter that the card is for."""
    gap = ticket.gap_cents if not ticket.unread_by else None
    return gap is not None and gap.low > hz_width_cents(ticket.tolerance_hz, ticket.aim_hz or 470.0)


def _unfinished_steps(ticket: Ticket) -> tuple[str, ...]:
    """What a check shows of a reed that does not meet where it should: nothing on its card says that it plays in tune.
    Empty for other reeds."""
    gap, aim_hz = ticket.gap_cents, ticket.aim_hz
    if gap is None or ticket.unread_by:
        return (f"It is finished when E divided by 1.5 and F by 1.667 give the same, to {ticket.tolerance_hz:g} Hz.",)
    size = f"{cents_words(gap.mean)} {'over' if gap.mean > 0 else 'under'} E"
    if _is_past(ticket):
        return (f"F as low A should read {size}: this reed does not play in tune in this chanter.",)
    notes = _by_all(ticket)
    here = aim_hz if ticket.read_in is None and {"e", "f"} <= notes.keys() else None
    off = abs(gap.mean) > hz_width_cents(ticket.tolerance_hz, aim_hz or 470.0)
    if here and (off or any(abs(notes[note] - here) > ticket.tolerance_hz for note in ("e", "f"))):
        return (f"As it is now, {_e_and_f(notes)}",)
    return (f"As it is now, F as low A should read {size}.",) if off else ()


def _by_all(ticket: Ticket) -> dict[str, float]:
    """The notes of the card's table as low A, Hz, by all readings."""
    return {one.note: one.predicted_hz.mean for one in ticket.notes if one.predicted_hz is not None}


def _e_and_f(notes: Mapping[str, float]) -> str:
    """`with low A at 473.4 Hz, E should read 711.5 and F 789.8.`: of the notes in the table (as low A, Hz), as printed
    there. Low A is left out where it was never read."""
    low_a = f"with low A at {notes['low_a']:.1f} Hz, " if "low_a" in notes else ""
    e_hz, f_hz = 1.5 * round(notes["e"], 1), 5.0 / 3.0 * round(notes["f"], 1)
    return f"{low_a}E should read {e_hz:.1f} and F {f_hz:.1f}."


def _where_to(ticket: Ticket) -> str:
    """Where E and F should sound, as a meter shows them: as the table has them, else by the pitch aimed at."""
    notes = _by_all(ticket)
    if {"e", "f"} <= notes.keys() and ticket.read_in is None:
        said = _e_and_f(notes)
        return said[0].upper() + said[1:]
    if not ticket.aim_hz:
        return f"E divided by 1.5 and F by 1.667 should give the same, to {ticket.tolerance_hz:g} Hz."
    at_hz = round(ticket.aim_hz, 1)  # as printed, so that both agree with it
    return f"E should read {1.5 * at_hz:.1f} and F {at_hz * 5.0 / 3.0:.1f}."


def _g_octave(ticket: Ticket) -> tuple[str, ...]:
    """What low G should sound, blown so hard that it jumps an octave up; nothing where low G was never read."""
    if "low_g" not in _by_all(ticket):
        return ()
    ratio = 2.0 * ticket.low_g_ratio
    if not ticket.aim_hz:
        return (f"Low G, blown so hard that it jumps an octave up, divided by {ratio:.3f}: the same again.",)
    return (f"Low G, blown so hard that it jumps an octave up, should read {ratio * round(ticket.aim_hz, 1):.1f}.",)


def draw(ticket: Ticket) -> Figure:
    """The card as a sheet, to be drawn inside `style.style()`."""
    figure, axes = card()
    axes.plot([LEFT, RIGHT], [6.0, 6.0], color=LIGHT["sand"], linewidth=3.0)
    put_text(axes, LEFT, 14.0, f"Reed {plain(ticket.reed, 22)}", size=15.0, bold=True)
    put_text(axes, LEFT, 19.2, f"{plain(ticket.reed_type, 24)}, batch {plain(ticket.batch, 24)}", size=8.5, role="mute")
    top = 25.6
    if heading := do_not_send(ticket):
        put_text(axes, LEFT, top, heading, size=10.0, bold=True)
        top += 5.6
    for name, value in _facts(ticket):
        put_text(axes, LEFT, top, name, size=7.5, role="mute")
        put_text(axes, 34.0, top, value, size=8.2, bold=name == "meets at" and ticket.meet_pitch_hz is not None)
        top += 4.5
    top = paragraph(axes, top + 1.0, verdict(ticket), bold=True)
    top = _notes(axes, ticket, top + 0.6)
    steps = how_to_check(ticket)
    if steps:
        put_text(axes, LEFT, top + 4.4, "How to check it", size=8.2, bold=True)
    top += 8.6 if steps else 4.4
    for place, step in enumerate(steps, start=1):
        top = paragraph(axes, top, f"{place}. {step}")
    for caution in ticket.cautions:
        room = int((_LAST_LINE_MM - top) / 3.7 + 1.001)
        for line in whole_parts(f"Mind: {plain(caution, 10_000)}", room, "More is said by: trimfit review reed."):
            top = paragraph(axes, top, line)
    rests = f"Rests on {ticket.readings} reading{'' if ticket.readings == 1 else 's'}"
    last = f", the last of {plain(ticket.read_at.replace('T', ' '), 26)}" if ticket.read_at else ""
    put_text(axes, LEFT, 143.0, f"{rests}{last}.", size=6.3, role="mute")
    put_text(axes, LEFT, 145.8, _key(ticket), size=6.3, role="mute")
    return figure


def _facts(ticket: Ticket) -> list[tuple[str, str]]:
    """Name and value of each line in the head of the card; what is not known says so."""
    by = f", by {ticket.unread_by}" if ticket.unread_by else ""
    facts = [
        ("order", plain(ticket.order, 30) if ticket.order else "none"),
        ("chanter", _chanters(ticket)),
        ("meets at", between(ticket.meet_pitch_hz, "Hz", 1) + by if ticket.meet_pitch_hz else "not known"),
    ]
    if ticket.target_pitch_hz:
        facts.append(("pitch ordered", f"{ticket.target_pitch_hz:.1f} Hz"))
    read_at, told_for = _air(ticket.read_kpa, ticket.read_c), _air(ticket.pressure_kpa, ticket.temperature_c)
    if ticket.ordered_kpa and _air(ticket.ordered_kpa) != _air(ticket.read_kpa):
        facts.append(("pressure ordered", _air(ticket.ordered_kpa)))
    crow = ticket.crow_hz
    facts.append(("crow", f"{crow_label(crow.mean)}, {between(crow, 'Hz', 0)}" if crow else "not read"))
    facts.append(("blown at", read_at or "pressure not said"))
    if told_for and told_for != read_at:
        facts.append(("figures are for", told_for))
    return facts


def _air(kpa: float | None, deg_c: float | None = None) -> str:
    """`7.5 kPa, 20.0 °C`: of what is known; empty where nothing is."""
    return ", ".join(([f"{kpa:.1f} kPa"] if kpa else []) + ([f"{deg_c:.1f} °C"] if deg_c is not None else []))


def _chanters(ticket: Ticket) -> str:
    """The chanter it is for, and the one it was read in where that is another."""
    if not ticket.chanter:
        return "not said"
    read_in = f", read in {plain(ticket.read_in, 18)}" if ticket.read_in else ""
    return plain(ticket.chanter, 18 if read_in else 30) + read_in


def _notes(axes: Axes, ticket: Ticket, top: float) -> float:
    """Note by note: as low A, cents from the aim, and a strip; returns where the next line stands."""
    by_key = {note.note: note for note in ticket.notes if note.read_hz is not None or note.predicted_hz is not None}
    notes = [by_key[key] for key in NOTES if key in by_key]
    if not notes:
        return paragraph(axes, top + 3.0, "No note was read.")
    for x, ha, words in ((LEFT, "left", "note"), (43.0, "right", "as low A, Hz"), (58.0, "right", "cents off")):
        put_text(axes, x, top + 3.0, words, size=6.6, role="mute", ha=ha)
    middle, scale = (STRIP_LEFT + STRIP_RIGHT) / 2, (STRIP_RIGHT - STRIP_LEFT) / (2 * _STRIP_CENTS)
    foot = top + 5.0 + _ROW_MM * len(notes)
    if ticket.aim_hz:
        half = min(_STRIP_CENTS, hz_width_cents(ticket.tolerance_hz, ticket.aim_hz)) * scale
        axes.fill_between([middle - half, middle + half], top + 5.0, foot, color=LIGHT["good"], alpha=0.16, linewidth=0)
        axes.plot([middle, middle], [top + 5.0, foot], color=LIGHT["good"], linewidth=1.0)
        for cents in (-10, 10):
            x = middle + cents * scale
            axes.plot([x, x], [top + 5.0, foot], color=LIGHT["grid"], linewidth=0.7)
            put_text(axes, x, top + 3.0, number(cents, "+.0f"), size=6.2, role="mute", ha="center")
        put_text(axes, middle, top + 3.0, f"{ticket.aim_hz:.1f}", size=6.2, role="mute", ha="center")
    for place, note in enumerate(notes):
        _note_row(axes, note, top + 5.0 + _ROW_MM * (place + 0.5), ticket, middle, scale)
    return foot


def _note_row(axes: Axes, note: TicketNote, y: float, ticket: Ticket, middle: float, scale: float) -> None:
    aim_hz = ticket.aim_hz
    # as the verdict has it: one source for all that the card says of F and E
    value = note.predicted_hz.mean if note.predicted_hz is not None else note.read_hz or 0.0
    read = note.read_hz is not None and not note.off_hz(ticket.tolerance_hz)
    bold = note.note in ("e", "f")
    put_text(axes, LEFT, y + 1.1, OUTPUT_WORDS[note.note], size=8.0, bold=bold)
    put_text(axes, 43.0, y + 1.1, f"{value:.1f}" if read else f"({value:.1f})", size=8.0, bold=bold, ha="right")
    if not aim_hz:
        put_text(axes, 58.0, y + 1.1, "–", size=8.0, ha="right")
        return
    aim = cents_from_440(aim_hz)
    off = cents_from_440(value) - aim
    put_text(axes, 58.0, y + 1.1, number(off, "+.0f"), size=8.0, bold=bold, ha="right")
    if note.predicted_hz is not None:
        ends = [cents_from_440(end) - aim for end in (note.predicted_hz.low, note.predicted_hz.high)]
        ends = [middle + scale * min(_STRIP_CENTS, max(-_STRIP_CENTS, end)) for end in ends]
        axes.plot(ends, [y, y], color=LIGHT["mute"], linewidth=1.2)
    inside = abs(off) <= _STRIP_CENTS
    role, marker = {"f": ("f", "o"), "e": ("e", "s")}.get(note.note, ("ink", "o"))
    if not inside:
        marker = ">" if off > 0 else "<"
    axes.plot(
        [middle + scale * min(_STRIP_CENTS, max(-_STRIP_CENTS, off))],
        [y],
        marker,
        color=LIGHT[role],
        markersize=4.6,
        markerfacecolor=LIGHT[role] if read else LIGHT["paper"],
        markeredgewidth=1.0,
    )
