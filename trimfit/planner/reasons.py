"""Why: the reason for an answer, in a sentence that a reed maker would say."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from trimfit.base.errors import command
from trimfit.base.normal import Z90
from trimfit.base.pitch import crow_label, hz_from_cents
from trimfit.base.plain_words import away_words, cents_words, chance_words, counted, whether_away
from trimfit.base.units import Interval
from trimfit.planner.aim import Aim
from trimfit.planner.choice import Choice

FEW_REEDS = 10
FAR_CENTS = 8.0
APART_CENTS = 4.0
"""A gap as it was last read and as it is known are both said where they lie so far apart."""
SURE = 0.9
LONG_DAYS = 7.0
"""A reed that lay so long is cut with a word of it."""
WIDE_TOLERANCES = 4.0
GONE = "gone"
"""A choice's reason of a reed that left the bench, work undone."""
NO_LENGTH_REASON = "no-length"
"""A choice's reason where, by what is logged, no length that the blade has closes the gap."""
AT_ODDS = "at-odds"
"""A choice's reason where its latest readings creep one way, or the last is borne out by none before it."""
NO_LENGTH = "by what is logged no length closes the gap"
TAKE = "take F, E, both A's and the crow"


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Grounds:
    """What an answer rests on: readings of the reed, reeds of its type, and what is amiss with them.

    notes_read: readings with any note; gap_read: those with F and E both, untaped; since_cut: those of them that were
    taken in the aim's chanter since anything was last taken off. a_apart_cents: how far the last reading's high A
    stands over its low A, where it counts for less because of it, else 0. low_weight: when the readings that nothing
    bears out were taken, as text; set_aside: the same of those that the answer takes to be wrong. doubtful: the one
    reading since the last cut is unbalanced, not borne out, or marked at entry. unconfirmed: its last reading, alone in
    its sitting, was kept though it contradicted what was predicted of it.
    longest_mm: longest cut logged of the type; kpa_assumed: (taken as, asked for) where the order names a pressure and
    the last reading none; chanter_unread: the chanter, where nobody has read F and E in it yet. idle_days: since the
    last reading, 0 while its sitting lasts. event: the last event and its time, as `soaked 2026-03-05 10:00`, where it
    matters; event_read: whether F and E were read since.
    gaps_cents: the gaps read since the last work, in order of time, in the chanter worked in; worked: whether anything
    was taken off yet; apart_cents: how far readings of one sitting mostly lie apart at most, by the readings' error.
    here: where to work to in the chanter at hand, None unless the aim's is away; supposed_away: that chanter, where it
    is only taken to be so. ahead: the last entry of a time that is yet to come, as `reading of 2062-11-28 10:16`.
    hardly_answers: how little cuts do to it beside its type, where that is so little that a reading may be wrong or the
    reed is no good. length_doubted: the doubt about a length of its trims, with the remedy. impossible: what is
    impossible of it as it is predicted to stand, a reed that was not read since its last cut.
    taped_alone: F and E were read together, but never without tape on either.
    blade_room_mm: what may come off still, where what is left to take off is as likely as not more than that.
    no_cut_left: by all that is known nothing more comes off. no_chanter: the entry of its last reading, where the
    answer is for no chanter and the log knows some.
    """

    readings: int
    notes_read: int
    reed_type: str
    reeds_of_type: int
    a_apart_cents: float
    gap_read: int = 1
    since_cut: int = 1
    doubtful: bool = False
    unconfirmed: bool = False
    low_weight: tuple[str, ...] = ()
    set_aside: tuple[str, ...] = ()
    longest_mm: float | None = None
    kpa_assumed: tuple[float, float] | None = None
    chanter_unread: str = ""
    idle_days: float = 0.0
    event: str = ""
    event_read: bool = False
    gaps_cents: tuple[float, ...] = ()
    worked: bool = False
    apart_cents: float = math.inf
    here: Here | None = None
    supposed_away: str = ""
    first_in: str = ""
    ahead: str = ""
    hardly_answers: str = ""
    length_doubted: str = ""
    impossible: str = ""
    no_cut_left: bool = False
    no_chanter: str = ""
    taped_alone: bool = False
    blade_room_mm: float | None = None

    def away(self) -> str:
        """That the aim's chanter is away, or is taken to be."""
        return away_words(supposed=bool(self.supposed_away))

    def is_it_away(self) -> str:
        """What to settle first where that is only supposed; empty for others."""
        return whether_away([self.supposed_away] if self.supposed_away else [])


@dataclass(frozen=True, slots=True)
class Here:
    """What to work to in the chanter at hand for one that is away: the gap there now and the one to stop at, and the
    crow that goes with that (None: not known)."""

    chanter: str
    gap_now_cents: Interval
    gap_stop_cents: float
    crow_stop_hz: float | None

    def answer(self) -> dict[str, Any]:
        """As the answer to `ask` has it."""
        return {name: getattr(self, name) for name in self.__slots__}

    def stop_words(self) -> str:
        """`F 11 cents under E and crow C#-20`."""
        side = f"F {cents_words(self.gap_stop_cents)} {'under' if self.gap_stop_cents < 0 else 'over'} E"
        side = "F and E agreeing" if abs(self.gap_stop_cents) < 0.5 else side
        return f"{side} and crow {crow_label(self.crow_stop_hz)}" if self.crow_stop_hz and not self.beyond else side

    @property
    def beyond(self) -> bool:
        """Whether the reed stands farther on than its stop, by more than a word is worth."""
        return self.gap_now_cents.mean > self.gap_stop_cents + APART_CENTS


def _away(choice: Choice, aim: Aim, here: Here, is_away: str) -> str:
    """What to work to, and how sure that is where the reed is going."""
    there = aim.chanter or "the chanter"
    good = "within tolerance" if aim.target_cents is None else "good at the pitch asked for"
    chances = f"{chance_words(choice.chance_within)} {good}, {chance_words(choice.chance_past_end)} past"
    spaced = ""
    if aim.spaced_cents is not None:
        alike, reeds = aim.stop_shared
        spaced = ", spaced among the reeds of its order"
        if alike == reeds:
            spaced = f", the same for all {reeds} reeds of its order"
        elif alike > 1:
            spaced += f", {alike} of the {reeds} at this stop"
    if choice.action == "finished" and spaced:
        stop = f"its stop is {here.stop_words()} in {here.chanter}{spaced}"
        return f"no more comes off: {stop}; in {there}, which {is_away}, as it is: {chances}"
    if choice.action == "finished":
        return f"as near as work in {here.chanter} can bring it for {there}, which {is_away}: {chances}"
    if here.beyond:
        stop = f"it stands beyond its stop, {here.stop_words()}, in {here.chanter}{spaced}"
        return f"{stop}; as it is: {chances}"
    stop = f"stop at {here.stop_words()} in {here.chanter}{spaced}"
    return f"{stop}; once stopped there: {chances}"


def _gap(cents: float) -> str:
    if abs(cents) < 0.5:
        return "F and E agree"
    return f"F is {cents_words(cents)} {'under' if cents < 0 else 'over'} E"


def _run(gaps: tuple[float, ...]) -> str:
    """From where to where some gaps run: `from 7 to 0 cents under`, `from 2 cents under to 3 over`."""
    low, high = round(min(gaps)), round(max(gaps))
    if low == high:
        return f"show {_gap(low).replace('F is', 'F').replace('F and E agree', 'F and E agreeing')}"
    if high <= 0:
        return f"run from {-low} to {-high} cents under"
    if low >= 0:
        return f"run from {low} to {high} cents over"
    return f"run from {cents_words(low)} under to {high} over"


def _readings_run(grounds: Grounds) -> str:
    """`three readings since the cut run from 7 to 0 cents under`."""
    count = len(grounds.gaps_cents)
    number = ("two", "three", "four", "five", "six")[count - 2] if count <= 6 else str(count)
    return f"{number} readings{' since the cut' if grounds.worked else ''} {_run(grounds.gaps_cents)}"


def _apart(grounds: Grounds) -> bool:
    """Whether the readings since the last work differ by much more than their error."""
    gaps = grounds.gaps_cents
    return len(gaps) > 1 and max(gaps) - min(gaps) > grounds.apart_cents


def creeps(grounds: Grounds) -> bool:
    """Whether the last three readings since the last work, of one sitting, creep one way: each lies on the same side of
    the one before, and the last farther from the first than readings err (apart_cents). Then the reed is not settled
    yet (it warms, or takes up moisture), and no mean of them says where it will stand.

    Of a settled reed they have independent errors of one distribution, whose order is independent of their values: it
    is one of the 2 one-way orders in 2 / 3! = 1/3, and the range of 3 is over 4.03 standard deviations in 1.2 % (the
    studentized range with many degrees of freedom), so that it is said of 1 settled reed in 240.
    """
    first, middle, last = grounds.gaps_cents[-3:] if len(grounds.gaps_cents) >= 3 else (0.0, 0.0, 0.0)
    return (middle - first) * (last - middle) > 0.0 and abs(last - first) > grounds.apart_cents


def at_odds(grounds: Grounds) -> bool:
    """Whether the readings of the latest sitting since the last work want another before anything is cut: they creep,
    or the last is farther from each before it than readings err, so that one of them is wrong and none says which. Of
    two readings of a settled reed that is 1 in 230 (their difference is over 4.03 / √2 standard deviations of it), and
    of more of them less."""
    *before, last = grounds.gaps_cents or (0.0,)
    alone = bool(before) and min(abs(last - gap) for gap in before) > grounds.apart_cents
    return alone or creeps(grounds)


def disagreement(grounds: Grounds, action: str) -> str:
    """What is said of readings since the last work that differ by much more than their error; empty for others."""
    if not _apart(grounds):
        return ""
    if creeps(grounds):
        *_, first, middle, last = (f"{cents:+.0f}" if round(cents) else "0" for cents in grounds.gaps_cents)
        said = f"the readings creep one way (F less E {first}, {middle}, {last} cents)"
        return f"{said}: let it warm and settle, then read it again" if action == "read-again" else said
    off = abs(grounds.gaps_cents[-1] - grounds.gaps_cents[-2])
    counted = ": the answer weighs them all"
    if grounds.set_aside:
        one = len(grounds.set_aside) == 1
        times = " and ".join(grounds.set_aside[:3])
        counted = f": the answer takes {'that' if one else 'those'} of {times} to be wrong"
    elif grounds.low_weight:
        counted = ""
    if action == "read-again" and off > grounds.apart_cents:
        # where one of them is singled out, here or by `basis`, the other is trusted more
        which = f"{counted}; " if grounds.set_aside else ": " if grounds.low_weight else ": neither is trusted yet, "
        return f"the last two readings differ by {cents_words(off)}{which}read once more"
    if action == "read-again":
        return f"{_readings_run(grounds)}: seat it afresh and read once more"
    return f"{_readings_run(grounds)}, further apart than readings err{counted}"


def leanings(grounds: Grounds, action: str = "trim") -> list[str]:
    """What the answer leans on, where that is less than a maker would wish; empty where all is well.

    action: of an answer to read a reed that never was, that is all there is to say; one that ends it rests on the
    readings of the reed itself, and not on its kin.
    """
    said: list[str] = []
    if grounds.ahead:
        said.append(f"it rests on an entry that lies ahead, the {grounds.ahead}")
    if grounds.gap_read == 0 and action == "read-again":
        return said
    if grounds.impossible:
        said.append(f"no prediction: by what is logged {grounds.impossible}")
    if grounds.blade_room_mm is not None:
        room = f"{grounds.blade_room_mm:.2f} mm may come off still"
        said.append(f"the blade may be too short for what is left to take off ({room})")
    kind = grounds.reed_type
    if action in ("finished", "past"):
        pass
    elif grounds.reeds_of_type == 0:
        said.append(f"no {kind} reed has been learned from, so it rests on assumptions")
    elif grounds.reeds_of_type == 1 and grounds.notes_read:
        said.append(f"no other {kind} reed has been read yet, so it rests on assumptions")
    elif grounds.reeds_of_type < FEW_REEDS:
        few = grounds.reeds_of_type
        said.append(
            f"only {few} {kind} reed{'s' if few != 1 else ''} learned from yet, crows alone counted, so it rests "
            "partly on assumptions"
        )
    if grounds.gap_read == 0:
        said.append(unread(grounds))
    if grounds.event:
        since = "what was read before that tells how it answers a cut, and not where it stands"
        unread_since = "F and E were not read since, and may stand anywhere"
        said.append(f"it was logged as {grounds.event}: {since if grounds.event_read else unread_since}")
    if grounds.chanter_unread:
        said.append(f"chanter {grounds.chanter_unread} was never read with F and E: its pitch is a guess")
    if grounds.no_chanter:
        names = command("log", "amend", grounds.no_chanter, "chanter=NAME")
        average = "no chanter was named, so this is as in a chanter like the shop's on average"
        said.append(f"{average}: name it with the next reading (--chanter NAME), or put it into this one ({names})")
    if grounds.a_apart_cents:
        apart = f"A's are {cents_words(abs(grounds.a_apart_cents))} apart"
        said.append(
            f"the answer rests on a reading whose {apart}"
            if grounds.notes_read == 1
            else f"its last reading's {apart}, so it counts for less"
        )
    if action != "read-again" and (differ := disagreement(grounds, action)):
        said.append(differ)
    if grounds.low_weight:
        times = " and ".join(grounds.low_weight[:3])
        one = len(grounds.low_weight) == 1
        contradicts = f"contradict{'s' if one else ''} what else was read"
        if grounds.readings == 1:
            others = f"other {kind} reeds" if grounds.reeds_of_type else f"what is assumed of {kind} reeds"
            contradicts = f"is unlike {others}"
        said.append(f"the reading{'' if one else 's'} of {times} {contradicts} and count{'s' if one else ''} for less")
    if grounds.kpa_assumed is not None:
        taken, asked = grounds.kpa_assumed
        said.append(
            f"its last reading names no pressure: taken as the bench's {taken:.1f} kPa, while the order is for "
            f"{asked:.1f} kPa"
        )
    if grounds.length_doubted:  # last: it ends in a command
        said.append(f"it rests on a trim in doubt: {grounds.length_doubted}")
    return said


def unread(grounds: Grounds) -> str:
    """What is said of a reed whose F and E were never read together."""
    if grounds.readings == 0:
        return "this reed was never read"
    if grounds.taped_alone:
        return "its F and E were never read together untaped"
    return "only its crow was read" if grounds.notes_read == 0 else "its F and E were never read together"


def basis(grounds: Grounds) -> str:
    """`leanings` as one sentence."""
    return "; ".join(leanings(grounds))


def _hardly_and_what_then(grounds: Grounds) -> str:
    then = "" if grounds.length_doubted else ": read it again, or put it to stock"
    return f"{grounds.hardly_answers}{then}" if grounds.hardly_answers else ""


def _no_length(grounds: Grounds) -> str:
    """What is said of a gap that by all that is logged no length closes."""
    return "; ".join(part for part in (NO_LENGTH, grounds.hardly_answers) if part)


def _longest(choice: Choice, grounds: Grounds) -> str:
    """That a cut is longer than any that was logged of the type; empty for others."""
    longest = grounds.longest_mm
    if choice.action != "trim" or not longest or choice.length_mm <= longest + 1e-9:
        return ""
    return f"longer than any cut logged of {grounds.reed_type} reeds that is in no doubt ({longest:.2f} mm)"


def _off_target(choice: Choice, aim: Aim) -> str:
    """How far from the pitch asked for it would meet, where that is worth a word."""
    if aim.target_cents is None:
        return ""
    off = choice.meet_mean_cents - aim.target_cents
    if abs(off) <= 0.5 * aim.tolerance_cents:
        return ""
    return f"it would meet {cents_words(off)} {'over' if off > 0 else 'under'} the pitch asked for"


def _lips(choice: Choice, aim: Aim) -> str:
    """What the strokes do for the pitch: bring it there, or only nearer; empty where none is asked for."""
    if aim.target_cents is None:
        return ""
    off = choice.meet_mean_cents - aim.target_cents
    if abs(off) <= aim.tolerance_cents:
        return "the lips bring the pitch to the one asked for"
    side = "over" if off > 0 else "under"
    return f"after these strokes it would meet {cents_words(off)} {side} the pitch asked for: they bring it nearer"


def _days(grounds: Grounds) -> str:
    return counted(round(grounds.idle_days), "day")


def _read_again(choice: Choice, aim: Aim, grounds: Grounds) -> str:
    """Why it should be read, a gap in front of it or not."""
    cents, reason = choice.gap_now_cents, choice.reason
    read_in = aim.worked_in or aim.chanter
    if grounds.gap_read == 0:
        where = f" in {read_in}" if read_in else " in a chanter"
        away = f"; {aim.chanter} {grounds.away()}, and {aim.worked_in} stands in for it" if aim.worked_in else ""
        return f"{unread(grounds) if grounds.readings else 'not read yet'}: {TAKE}{where}{away}"
    if grounds.first_in:
        return f"its F and E were never read in {grounds.first_in}, and what others showed leaves too much open"
    if reason == "since-cut?" or (reason == "past?" and grounds.worked and not grounds.gaps_cents):
        where = f" in {read_in}" if read_in else ""
        said = f"F and E were not read{where} as it is now; read them first"
        return said if grounds.impossible else f"this is predicted: {said}"
    if grounds.event and not grounds.event_read:  # whatever the reason: how it lay tells little beside what happened
        return "read it as it stands now, before anything comes off"
    if reason == AT_ODDS:
        return disagreement(grounds, "read-again")
    if grounds.idle_days >= 1.0 and reason in ("vague", "alone", "moved", "past?"):
        return f"it lay {_days(grounds)} and may have moved: read it first"
    if reason in ("vague", "alone", "moved") and (differ := disagreement(grounds, "read-again")):
        return differ
    if reason == "moved":
        return "its readings contradict each other: it has moved, or one of them was wrong; another one tells which"
    if reason == "alone" and len(grounds.gaps_cents) > 1:
        return f"{_readings_run(grounds)}: seat it afresh and read once more"
    if reason == "alone":
        gap = grounds.here.gap_now_cents.mean if grounds.here else cents.mean
        if grounds.gaps_cents and abs(grounds.gaps_cents[-1] - gap) > APART_CENTS:
            read = _gap(grounds.gaps_cents[-1])
            return f"its reading says {read}; weighed with all before it, {_gap(gap)}: a second one shows which"
        return f"{_gap(gap)} by one reading alone: a second shows whether it was seated, before more rests on it"
    if reason == NO_LENGTH_REASON:
        return _no_length(grounds) + ("" if grounds.length_doubted else ": read it again")
    if reason == "doubtful?":
        return "the one reading since the last cut is doubtful: read it again before you decide"
    if reason == "unconfirmed":
        return "its last reading was in doubt and is the only one of its sitting: read it again before the next cut"
    if reason == "no-fit?":
        low, high = (choice.meet_mean_cents + k * Z90 * choice.meet_sd_cents for k in (-1.0, 1.0))
        asked = hz_from_cents(aim.target_cents or 0.0)
        return (
            f"E and F would meet somewhere from {hz_from_cents(low):.1f} to {hz_from_cents(high):.1f} Hz, and "
            f"{asked:.1f} Hz is asked for: read it again before giving it up"
        )
    if reason == "past?":
        return "it reads past tolerance: seat it afresh and read it once more before giving it up"
    if grounds.no_cut_left:
        return "seat it afresh and read it once more: that shows whether anything is left to come off"
    if cents.mean < -FAR_CENTS and cents.high - cents.low < FAR_CENTS:
        return "seat it afresh and read it once more: a reading may save a cut, which takes longer"
    return "seat it afresh and read it once more: a cut now would rest on too little"


def reason(choice: Choice, aim: Aim, grounds: Grounds, suits: str = "") -> str:
    """Why, without the gap itself, the gap after the cut and what the answer leans on; may be empty for a cut."""
    pitch = hz_from_cents(choice.meet_mean_cents)
    if choice.reason == GONE:
        return "it left the bench"
    if choice.action == "trim":
        said = ""
        if choice.lip_strokes:
            said = _lips(choice, aim)
        elif aim.target_cents is not None and Z90 * choice.meet_sd_cents > WIDE_TOLERANCES * aim.tolerance_cents:
            said = "whether it will meet at the pitch asked for shows nearer the end"
        elif for_target := _off_target(choice, aim):
            said = f"{for_target}, to be seen again nearer the end"
        aimed = _away(choice, aim, grounds.here, grounds.away()) if grounds.here else ""
        unread_since = grounds.worked and grounds.gap_read and not grounds.since_cut and not grounds.impossible
        since = "this is predicted: not read since the cut" if unread_since else ""
        lay = f"it lay {_days(grounds)}: its chance counts that" if grounds.idle_days >= LONG_DAYS else ""
        return "; ".join(
            part
            for part in (since, _hardly_and_what_then(grounds), aimed, said, _longest(choice, grounds), lay)
            if part
        )
    if choice.action == "read-again":
        said = _read_again(choice, aim, grounds)
        if choice.reason != NO_LENGTH_REASON and (hardly := _hardly_and_what_then(grounds)):
            said += f"; {hardly}"
        if grounds.here is not None and grounds.gap_read:
            said += f"; {_away(choice, aim, grounds.here, grounds.away())}"
    elif choice.action == "finished" and grounds.here is not None:
        said = _away(choice, aim, grounds.here, grounds.away())
    elif choice.action == "finished":
        within = "within tolerance" if choice.chance_good >= SURE else "most likely within tolerance"
        if choice.chance_good < 0.5:
            within = "as near as another cut could safely bring it"
        said = f"{within}, at {pitch:.1f} Hz; another cut risks more than it gains"
    elif choice.action == "past":
        said = "past tolerance: lost for this order"
        if grounds.here is not None:
            there = f"{aim.chanter}, which {grounds.away()}"
            said = f"most likely past tolerance in {there} ({chance_words(choice.chance_past)})"
    elif choice.reason == NO_LENGTH_REASON:
        said = _no_length(grounds) + ("" if grounds.length_doubted else ": put it to stock")
    elif choice.reason == "blade":
        said = "too little blade is left for another cut"
    else:
        said = f"E and F would meet at {pitch:.1f} Hz"
        if aim.target_cents is not None:
            said += f", not at the {hz_from_cents(aim.target_cents):.1f} Hz asked for, and the lips do not reach"
    return f"{said}; {suits}" if suits else said


def why(choice: Choice, aim: Aim, grounds: Grounds, suits: str = "") -> str:
    """One sentence of reason, then what it leans on. `suits`: another chanter, type or pressure that would do."""
    parts = [grounds.is_it_away()]
    if (grounds.gap_read or choice.action == "trim") and not grounds.impossible:
        where, gap = "", choice.gap_now_cents.mean
        if grounds.here is not None:
            where, gap = f"in {grounds.here.chanter} ", grounds.here.gap_now_cents.mean
        parts.append(where + _gap(gap))
    if choice.action == "trim" and choice.length_mm and grounds.here is None:
        after = choice.gap_after_cents.mean
        left = (
            f"after this cut F should be {cents_words(after)} under E"
            if after < -0.5
            else "this cut should bring them together"
        )
        parts.append(left)
    parts.append(reason(choice, aim, grounds, suits))
    parts += leanings(grounds, choice.action)
    return "; ".join(part for part in parts if part)
