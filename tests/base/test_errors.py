"""What every message is made of: quoted text that shows where it was cut, and commands that can be pasted."""

from __future__ import annotations

import shlex

from hypothesis import given
from hypothesis import strategies as st

from trimfit.base.errors import command, nearest, short


@given(st.text(), st.integers(8, 80))
def test_a_text_that_was_cut_says_so(text: str, longest: int) -> None:
    shown = short(text, longest)
    whole = " ".join(text.split())
    assert len(shown) <= longest
    assert shown == whole or ("…" in shown and len(whole) > longest)


def test_two_long_names_that_differ_at_their_end_stay_two() -> None:
    one, other = (short("long bore " * 10 + f"no. {number}") for number in (1, 2))
    assert one != other


@given(st.lists(st.text(min_size=1).filter(lambda word: "\0" not in word), max_size=5))
def test_a_command_is_pasted_whole(words: list[str]) -> None:
    assert shlex.split(command(*words)) == ["trimfit", *words]


def test_names_that_are_not_listed_are_counted() -> None:
    known = [f"R-{i:04d}" for i in range(1, 401)]
    assert nearest("basket", known).endswith("R-0007, R-0008 and 392 more")
    assert nearest("basket", known[:8]).endswith("R-0007, R-0008")
