"""Tables: as wide as they need, and no wider than the screen."""

from __future__ import annotations

import pytest

from trimfit.cli.output.answers import table

NAME = "CH-15 set of twelve with a long name that no screen has room for beside the rest of it"


def test_a_column_of_names_is_shortened_only_where_the_screen_is_too_narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    (_, row) = table(("order", "chanter", "mm"), [("O-12", NAME[:19], "0.5")], shorten=1)
    assert NAME[:19] in row
    lines = table(("order", "chanter", "mm"), [("O-12", NAME, "0.5")], shorten=1)
    assert max(map(len, lines)) == 80
    assert "CH-15 set" in lines[1]
    assert max(map(len, table(("order", "chanter", "mm"), [("O-12", NAME, "0.5")]))) > 80
