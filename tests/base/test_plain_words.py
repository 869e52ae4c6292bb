"""Numbers fit for a line of text."""

from __future__ import annotations

import pytest

from trimfit.base.errors import command
from trimfit.base.plain_words import cents_words, counted, numeral, share_words, signed, signed_cents, wrapped


@pytest.mark.parametrize(
    ("value", "form", "said"),
    [(-0.04, "+.1f", "0.0"), (0.04, "+.1f", "0.0"), (-0.3, ".0f", "0"), (-0.06, "+.1f", "-0.1"), (10.0, "+.0f", "+10")],
)
def test_a_nought_has_no_sign(value: float, form: str, said: str) -> None:
    assert numeral(value, form) == said


def test_signed_numbers_have_their_sign() -> None:
    assert [signed(cents) for cents in (-6.2, -0.2, 0.2, 1.4)] == ["-6", "0", "0", "+1"]


def test_one_of_a_thing_is_no_plural() -> None:
    assert [counted(1, "reed"), counted(2000, "reed")] == ["1 reed", "2,000 reeds"]
    assert [counted(1, "entry", "entries"), counted(0, "entry", "entries")] == ["1 entry", "0 entries"]
    assert [cents_words(-1.2), cents_words(7.0)] == ["1 cent", "7 cents"]
    assert [signed_cents(-1.2), signed_cents(0.6), signed_cents(-3.0)] == ["-1 cent", "+1 cent", "-3 cents"]


@pytest.mark.parametrize(
    ("share", "se", "said"),
    [(0.8741, 0.07, "87 %"), (0.8741, 0.004, "87.4 %"), (0.003, 0.012, "under 1 %"), (0.0003, 0.001, "under 0.1 %"),
     (0.996, 0.02, "over 99 %"), (0.9996, 0.001, "over 99.9 %"), (1.0, 0.0, "over 99.9 %")],
)  # fmt: skip
def test_a_share_is_said_no_finer_than_it_is_known(share: float, se: float, said: str) -> None:
    assert share_words(share, se) == said


def test_a_command_is_never_broken_over_two_lines() -> None:
    amend = command("log", "amend", "tri-abcdefghijklmnop", "length=0.16")
    chanter = command("log", "chanter", "The long old band chanter of the valley", "--at-hand", "yes")
    strike = command("log", "strike", "tri-abcdefghijklmnop")
    text = f"it rests on a trim in doubt: {amend}; if it is away ({chanter}), or say {strike} --why …, and so on"
    assert wrapped(text, 60) == [
        "it rests on a trim in doubt:",
        f"  {amend}",
        "  if it is away",
        f"  {chanter}",
        f"  or say {strike} --why …,",
        "  and so on",
    ]
    assert wrapped(f"see {strike}, then", 60) == [f"see {strike}, then"]
