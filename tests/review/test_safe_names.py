"""Any text becomes a safe file stem and a safe line."""

from __future__ import annotations

import re
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.review.made_up_report import NASTY
from trimfit.review.safe_names import file_stem, file_stems, one_line, sentence, short

SAFE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,60}")
# Text as it can come from a file or a terminal, lone surrogates included.
ANY_TEXT = st.text(st.characters(exclude_categories=()), max_size=80)


@pytest.mark.parametrize("name", ["R-0412", "band_9", "7"])
def test_a_safe_name_is_kept(name: str) -> None:
    assert file_stem(name) == name


@pytest.mark.parametrize(
    "name", [*NASTY, "CON", "nul", "com1", "..", ".", "/", "-x", "a b", "é", "R-0412.", "x" * 10_000]
)
def test_an_unsafe_name_is_reduced(name: str) -> None:
    stem = file_stem(name)
    assert SAFE.fullmatch(stem)
    assert stem != name
    assert stem == file_stem(name)


@given(ANY_TEXT)
def test_any_text_gives_a_safe_stem(name: str) -> None:
    assert SAFE.fullmatch(file_stem(name))


@given(ANY_TEXT, ANY_TEXT)
def test_names_that_differ_get_stems_that_differ(one: str, other: str) -> None:
    assert (file_stem(one) == file_stem(other)) == (one == other)
    assert file_stem(f"{one}/") != file_stem(f"{one}:")


@given(st.lists(ANY_TEXT, unique=True, max_size=12))
def test_stems_differ_even_where_case_is_ignored(names: list[str]) -> None:
    stems = file_stems([*names, "Reed", "reed", "REED"])
    assert len({stem.casefold() for stem in stems.values()}) == len(stems)
    assert all(SAFE.fullmatch(stem) for stem in stems.values())


@given(ANY_TEXT)
def test_a_line_has_nothing_that_cannot_be_shown(text: str) -> None:
    line = one_line(text)
    assert line == line.strip() != ""
    assert not any(unicodedata.category(character) in ("Cc", "Cs", "Co", "Zl", "Zp") for character in line)
    assert "\u202e" not in line
    line.encode("utf-8")


@given(ANY_TEXT, st.integers(4, 40))
def test_short_keeps_to_its_limit(text: str, limit: int) -> None:
    assert 1 <= len(short(text, limit)) <= max(limit, len("(no name)")) if not text.strip() else True
    assert len(short("x" * 100, limit)) == limit


def test_short_keeps_both_ends() -> None:
    assert short("a" * 50 + "z" * 50, 10) == "aaaaaa…zzz"
    assert short("batch 17", 10) == "batch 17"


def test_sentence_ends_once() -> None:
    assert sentence("starts sharp") == "starts sharp."
    assert sentence("starts sharp.") == "starts sharp."
