"""The short text that goes to the owner of a chanter that is away: what to measure, and how. Plain text."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from trimfit.base.plain_words import cents_words, plain_name

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


@dataclass(frozen=True, slots=True)
class Sent:
    """The reeds of an order that left as good: those that its player has and told nothing of yet (`unread`), those read
    in his chanter since (`read`), and those that `came_back`."""

    unread: Sequence[str] = ()
    read: Sequence[str] = ()
    came_back: Sequence[str] = ()


def sent_words(sent: Sent) -> str:
    """What leads where no answer would help as much as a reed read there: to read the first one, the one that is there
    already, or the next."""
    ask = (
        "F and E in your chanter and, sounded alone in a tube, its crow as your tuner shows it: that tells us more "
        "than anything else you could measure."
    )
    if not (sent.unread or sent.read or sent.came_back):
        return f"We send a first reed before we make the others. Tell us its {ask}"
    said = [f"{names_words(sent.came_back)} came back to us."] if sent.came_back else []
    said += [f"We go by what you told us of {names_words(sent.read)}."] if sent.read else []
    if not sent.unread:
        return " ".join([*said, f"Tell us of the next reed that you have from us its {ask}"])
    each = "of each its" if len(sent.unread) > 1 else "its"
    return " ".join([*said, f"You have {names_words(sent.unread)} from us. Tell us {each} {ask}"])


def names_words(names: Sequence[str]) -> str:
    """`M-4, M-5 and M-6`."""
    *before, last = [plain_name(name) for name in names]
    return f"{', '.join(before)} and {last}" if before else last


def letter(
    order: str,
    chanter: str,
    questions: Sequence[str],
    tolerance_cents: float,
    helps_most: str = "answer",
    sent: Sent | None = None,
    width: int = 72,
) -> str:
    """The text for an order: the questions (keys of QUESTIONS) in the order given, then what to do when reeds come.
    tolerance_cents: how far F may be off E; helps_most: an `answer`; where it is a `reed` read there, that leads, and
    the questions stand last, as they do where nothing tells much (empty); sent: the order's reeds that left, if any."""
    arrival = textwrap.wrap(on_arrival(tolerance_cents), width)
    asked = "So that the reeds fit your chanter, please send what you can of this. The first tells the most."
    if helps_most != "answer":
        what = "any of what follows" if len(questions) > 1 else "what follows"
        asked = f"If you can tell us {what}, send it too; by itself it tells us little."
    lines = textwrap.wrap(asked, width) if questions else []
    for number, word in enumerate(questions, 1):
        lines += ["", *textwrap.wrap(f"{number}. {QUESTIONS[word]}", width, subsequent_indent="   ")]
    first_reed = textwrap.wrap(sent_words(sent or Sent()), width) if helps_most == "reed" else []
    parts = [lines, arrival] if helps_most == "answer" else [first_reed, arrival, lines]
    return "\n".join([f"Order {order}, chanter {chanter}", *(line for part in parts if part for line in ("", *part))])
