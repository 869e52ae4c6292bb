"""The short text that goes to the owner of a chanter that is away: what to measure, and how. Plain text."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from trimfit.base.plain_words import cents_words

QUESTIONS = {
    "crow": "The crow of a reed that works in it. Take the reed out, seat it in a tube that holds it as the chanter "
    "does, sound it alone, and write down what the tuner shows: note and cents at A = 440, such as C+22; and what sort "
    "of reed it is (cane or moulded, whose make).",
    "reed type of the crow": "Of what sort the reed is whose crow you sent (cane or moulded, whose make): in one "
    "chanter each sort has another crow.",
    "pitch": "The pitch it plays at: low A in Hz with a reed that works, once low A and high A agree (seat the reed "
    "deeper or shallower until they do). Then E and F as the tuner shows them, and low G overblown (the G octave).",
    "gauge": "How far the bore gauge that we sent enters the bore from the top, in mm. Another gauge has another taper "
    "and tells nothing: leave this out if you have none of ours.",
    "pressure": "How hard you blow when you play, by a gauge in the pipe: kPa, or inches of water.",
}
"""What may be asked, by the word for it."""


def on_arrival(tolerance_cents: float) -> str:
    """What to do when reeds come. Within tolerance a reed stays as it is: where several are sent, they are spaced over
    gaps on both sides of none."""
    size = cents_words(tolerance_cents)
    return (
        "When reeds come, blow each before anything is done to it, write E and F down as they are, and tell us. Where "
        f"F and E agree within about {size}, leave the reed as it is. If F is flat of E by more, a little more "
        "length has to come off, or send it back. If F is sharp of E by more, send it back: nothing can be put back."
    )


FIRST_REED = (
    "We send a first reed before we make the others. Tell us its F and E in your chanter and, sounded alone in a tube, "
    "its crow as your tuner shows it: that tells us more than anything else you could measure."
)
"""What leads where no answer would help as much."""


def letter(
    order: str,
    chanter: str,
    questions: Sequence[str],
    tolerance_cents: float,
    helps_most: str = "answer",
    width: int = 72,
) -> str:
    """The text for an order: the questions (keys of QUESTIONS) in the order given, then what to do when reeds come.
    tolerance_cents: how far F may be off E; helps_most: an `answer`; where it is a `reed` read there, that leads, and
    the questions stand last, as they do where nothing tells much (empty)."""
    arrival = textwrap.wrap(on_arrival(tolerance_cents), width)
    asked = "So that the reeds fit your chanter, please send what you can of this. The first tells the most."
    if helps_most != "answer":
        what = "any of what follows" if len(questions) > 1 else "what follows"
        asked = f"If you can tell us {what}, send it too; by itself it tells us little."
    lines = textwrap.wrap(asked, width) if questions else []
    for number, word in enumerate(questions, 1):
        lines += ["", *textwrap.wrap(f"{number}. {QUESTIONS[word]}", width, subsequent_indent="   ")]
    first_reed = textwrap.wrap(FIRST_REED, width) if helps_most == "reed" else []
    parts = [lines, arrival] if helps_most == "answer" else [first_reed, arrival, lines]
    return "\n".join([f"Order {order}, chanter {chanter}", *(line for part in parts if part for line in ("", *part))])
