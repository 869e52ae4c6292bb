"""Names, numbers and chances fit for a line of text. Light: every page of words begins here."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from trimfit.base.errors import command, commands_in, short

MOST_NAMED = 10


def plain_name(name: str, longest: int = 40) -> str:
    """A name fit for one line of a terminal: no control characters, not too long."""
    shown = "".join(character if character.isprintable() else "?" for character in name)
    return short(shown, longest)


def wrapped(text: str, width: int, hang: str = "  ") -> list[str]:
    """`text` in lines of at most `width`, the later ones set in.

    A command (`errors.command`) that would be broken stands whole on a line of its own, however long, to be copied."""
    lines = textwrap.wrap(text, width, subsequent_indent=hang, break_on_hyphens=False) or [""]
    for said in commands_in(text):
        if not any(said in line for line in lines):
            before, _, after = text.partition(said)
            if before.endswith("(") and after.startswith(")"):
                before, after = before[:-1], after[1:]
            open_end = next((end for end in (" --why …", " …") if after.startswith(end)), "")
            rest = after[len(open_end) :].lstrip(" ;,.")
            return [
                *(wrapped(before, width, hang) if before.strip() else []),
                f"{hang}{said}{open_end}",
                *(wrapped(hang + rest, width, hang) if rest else []),
            ]
    return lines


def numeral(value: float, form: str) -> str:
    """A number in a form such as `+.1f`, with no sign on a nought."""
    said = f"{value:{form}}"
    return said if said.strip("+-0.") else said.lstrip("+-")


def signed(value: float, digits: int = 0) -> str:
    """A number with its sign, and none on a nought."""
    return numeral(value, f"+.{digits}f")


def counted(count: int, one: str, many: str = "") -> str:
    """`1 reed`, `2,000 reeds`."""
    return f"{count:,} {one if count == 1 else many or f'{one}s'}"


def cents_words(cents: float) -> str:
    """The size of so many cents: `1 cent`, `12 cents`."""
    return counted(round(abs(cents)), "cent")


def signed_cents(cents: float) -> str:
    """`-1 cent`, `+12 cents`."""
    said = signed(cents)
    return f"{said} cent{'' if said in ('+1', '-1') else 's'}"


def away_words(*, supposed: bool) -> str:
    """How a chanter that is not at the bench is spoken of: somebody said so, or it is only supposed since no reed was
    read in it."""
    return "is taken to be away" if supposed else "is away"


def whether_away(chanters: Sequence[str], what: str = "this reed") -> str:
    """What is said first of chanters that are only supposed to be away, and what settles it; empty for none. what: to
    be read there."""
    if not chanters:
        return ""
    named = ", ".join(short(name) for name in chanters[:MOST_NAMED])
    named += f" and {len(chanters) - MOST_NAMED} more" * (len(chanters) > MOST_NAMED)
    is_away, here = ("it is away", "it is") if len(chanters) == 1 else ("they are away", "one is")
    is_here = command("log", "chanter", chanters[0] if len(chanters) == 1 else "NAME", "--at-hand", "yes")
    return (
        f"no reed was read in {named} and nobody said that {is_away}: if {here} at the bench, read {what} in it before "
        f"any cut, and log that it is, or with no that it is not: {is_here}"
    )


def chance_words(chance: float) -> str:
    """A chance in per cent, no finer than it is known: one digit, or whole per cents."""
    cell = chance_cell(chance).replace("<", "under ").replace(">", "over ")
    return f"{cell} %"


def share_words(share: float, se: float) -> str:
    """A share of reeds in per cent, as `share_cell` has it, in words."""
    return f"{share_cell(share, se).replace('<', 'under ').replace('>', 'over ')} %"


def share_cell(share: float, se: float) -> str:
    """A share of reeds in whole per cents, for a table; none or all is no certainty.

    se: the standard deviation by which the share of a run of so many reeds scatters. A decimal is shown only where that
    is under half a per cent; where it is more, a whole per cent may still be finer than it.
    """
    digits = 1 if se < 0.005 else 0
    least = 10.0**-digits
    if not 0.5 * least <= 100.0 * share <= 100.0 - 0.5 * least:
        return f"<{least:g}" if share < 0.5 else f">{100.0 - least:g}"
    return f"{100.0 * share:.{digits}f}"


def chance_cell(chance: float) -> str:
    """The per cents of a chance for a table: never none, and never all."""
    if chance < 0.001 or chance > 0.995:
        return "<0.1" if chance < 0.001 else ">99"
    return f"{100.0 * chance:.1f}" if chance < 0.0095 else f"{100.0 * chance:.0f}"
