"""What every message is made of: quoted text that shows where it was cut, and commands that can be pasted."""

from __future__ import annotations

import random
import shlex

from hypothesis import given
from hypothesis import strategies as st

from trimfit.base.errors import FEW_NAMES, MANY_NAMES, command, nearest, short
from trimfit.log.entry_kinds import KINDS
from trimfit.log.settings import NAMES
from trimfit.log.sheets.csv_rows import heads_of


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
    assert nearest("basket", known, FEW_NAMES) == "none of the 400 known here is like it"
    assert nearest("basket", known[:FEW_NAMES], FEW_NAMES).endswith(f", R-{FEW_NAMES:04d}")


def test_of_a_set_of_words_that_never_grows_all_are_listed() -> None:
    """Was: eight, and the ninth was the one that was wanted."""
    assert nearest("zzz", NAMES) == f"known here: {', '.join(NAMES)}"
    assert nearest("zzz", may := heads_of(KINDS["reading"])[0]) == f"known here: {', '.join(may)}"


def test_a_slip_is_found_among_very_many_names_and_at_their_end() -> None:
    rng = random.Random(1)
    known = sorted({"".join(rng.choices("abcdefghijklmnop", k=9)) for _ in range(70_000)})
    for meant in (known[0], known[35_000], known[-1]):
        wrong, out, more = meant[:4] + "z" + meant[5:], meant[:4] + meant[5:], meant[:4] + "z" + meant[4:]
        exchanged = meant[:3] + meant[4] + meant[3] + meant[5:]
        for slip in (wrong, out, more, exchanged, meant.upper()):
            assert nearest(slip, known) == f"did you mean {meant}?"
    assert nearest("basket", known) == "none of the 70,000 known here is like it"


def test_few_and_many_names_have_the_same_answer_to_a_slip() -> None:
    known = [f"{word} {i}" for i in range(1_000) for word in ("may", "june", "ridge", "plain")]
    few = [name for name in known if name.endswith(" 512")]
    assert len(known) > MANY_NAMES > len(few)
    for slip in ("mey 512", "rigde 512", "plan 512", "junee 512"):
        assert nearest(slip, known) == nearest(slip, few)
