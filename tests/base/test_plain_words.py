"""Numbers fit for a line of text."""

from __future__ import annotations

import pytest

from trimfit.base.plain_words import numeral, signed


@pytest.mark.parametrize(
    ("value", "form", "said"),
    [(-0.04, "+.1f", "0.0"), (0.04, "+.1f", "0.0"), (-0.3, ".0f", "0"), (-0.06, "+.1f", "-0.1"), (10.0, "+.0f", "+10")],
)
def test_a_nought_has_no_sign(value: float, form: str, said: str) -> None:
    assert numeral(value, form) == said


def test_signed_numbers_have_their_sign() -> None:
    assert [signed(cents) for cents in (-6.2, -0.2, 0.2, 1.4)] == ["-6", "0", "0", "+1"]
