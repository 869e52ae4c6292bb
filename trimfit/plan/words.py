"""Why: the reason for an answer, in a sentence that a reed maker would say."""

from __future__ import annotations

from trimfit.pitch import hz_from_cents
from trimfit.plan.belief import Aim
from trimfit.plan.choose import Choice

__all__ = ["Grounds", "basis", "why"]

FEW_REEDS = 10
FAR_CENTS = 8.0


class Grounds:
    """What an answer rests on: readings of the reed, reeds of its type, and what is amiss with them."""

    __slots__ = ("aim_words", "low_weight", "notes_read", "readings", "reed_type", "reeds_of_type", "unbalanced")

    def __init__(
        self,
        *,
        readings: int,
        notes_read: int,
        reed_type: str,
        reeds_of_type: int,
        low_weight: int,
        unbalanced: bool,
        aim_words: str = "",
    ) -> None:
        self.readings, self.notes_read = readings, notes_read
        self.reed_type, self.reeds_of_type = reed_type, reeds_of_type
        self.low_weight, self.unbalanced, self.aim_words = low_weight, unbalanced, aim_words


def _cents(cents: float) -> str:
    size = f"{abs(cents):.0f}"
    return "1 cent" if size == "1" else f"{size} cents"


def _gap(cents: float) -> str:
    if abs(cents) < 0.5:
        return "F and E agree"
    return f"F is {_cents(cents)} {'under' if cents < 0 else 'over'} E"


def basis(grounds: Grounds) -> str:
    """What the answer leans on, where that is less than a maker would wish; empty where all is well."""
    said = []
    if grounds.reeds_of_type == 0:
        said.append(f"no {grounds.reed_type} reed has been learned from: this is assumption")
    elif grounds.reeds_of_type < FEW_REEDS:
        few = grounds.reeds_of_type
        said.append(
            f"only {few} {grounds.reed_type} reed{'s' if few != 1 else ''} learned from, the rest is the shop's"
        )
    if grounds.readings == 0:
        said.append("this reed was never read")
    elif grounds.notes_read == 0:
        said.append("only its crow was read")
    if grounds.unbalanced:
        said.append(
            "the answer rests on a reading whose A's do not agree"
            if grounds.notes_read == 1
            else "its last reading's A's do not agree, so it counts for less"
        )
    if grounds.low_weight:
        said.append("a reading that nothing else bears out counts for less")
    return "; ".join(said)


def why(choice: Choice, aim: Aim, grounds: Grounds, suits: str = "") -> str:
    """One sentence of reason, then what it leans on. `suits`: another chanter, type or pressure that would do."""
    gap = choice.gap_now_cents.mean
    pitch = hz_from_cents(choice.meet_mean_cents)
    for_target = ""
    if aim.target_cents is not None:
        off = choice.meet_mean_cents - aim.target_cents
        if abs(off) > 0.5 * aim.tolerance_cents:
            for_target = f"it would meet {_cents(off)} {'over' if off > 0 else 'under'} the pitch asked for"
    if choice.action == "trim" and choice.length_mm:
        after = choice.gap_after_cents.mean
        left = f"this cut leaves {_cents(after)} in hand" if after < -0.5 else "this cut should bring them together"
        text = f"{_gap(gap)}; {left}"
        if choice.lip_strokes:
            text += "; the lips bring the pitch to the one asked for"
        elif for_target:
            text += f"; {for_target}, to be seen again nearer the end"
    elif choice.action == "trim":
        text = f"{_gap(gap)}, and the lips bring the pitch to the one asked for"
    elif choice.action == "read-again":
        if choice.reason == "past?":
            text = f"it reads as if {_gap(gap)}, past tolerance; seat it afresh and read it before giving it up"
        elif gap < -FAR_CENTS and choice.gap_now_cents.high - choice.gap_now_cents.low < FAR_CENTS:
            text = f"{_gap(gap)}; seat it afresh and read it once more: that is cheaper than the cut it may save"
        else:
            text = f"{_gap(gap)} as far as it is known; another reading, seated afresh, is worth more than a cut"
    elif choice.action == "finished":
        text = f"{_gap(gap)}, within tolerance at {pitch:.1f} Hz; another cut risks more than it gains"
    elif choice.action == "past":
        text = f"{_gap(gap)}, past tolerance: lost for this order"
    elif choice.reason == "blade":
        text = f"{_gap(gap)} and the blade is as short as it may be"
    else:
        text = f"E and F would meet at {pitch:.1f} Hz"
        if aim.target_cents is not None:
            text += f", not at the {hz_from_cents(aim.target_cents):.1f} Hz asked for, and the lips do not reach"
    if suits:
        text += f"; {suits}"
    leans = basis(grounds)
    return f"{text}; {leans}" if leans else text
