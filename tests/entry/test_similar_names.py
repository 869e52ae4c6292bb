"""Names that are likely another name mistyped, and names that only look like it."""

from __future__ import annotations

from pathlib import Path

import pytest

from trimfit.base.records import Chanter, Order, Reed
from trimfit.entry.doubt_marks import rule_marks
from trimfit.entry.similar_names import name_doubts, similar_name
from trimfit.log.journal import Journal


@pytest.mark.parametrize(
    ("name", "known", "meant"),
    [
        ("old", "Old", "Old"),
        ("r 1", "R-1", "R-1"),
        ("Mouldd", "moulded", "moulded"),
        ("muolded", "moulded", "moulded"),
        ("mouldeed", "moulded", "moulded"),
        ("moulted dry", "moulded dry", "moulded dry"),
        ("R-1", "R-2", None),
        ("R-1", "R-11", None),
        ("Batch A", "Batch B", None),
        ("A", "B", None),
        ("moulded", "moulded", None),
        ("--", "-", None),
        ("moulded dry", "moulded", None),
        ("plated", "moulded", None),
    ],
)
def test_alike(name: str, known: str, meant: str | None) -> None:
    assert similar_name(name, [known]) == meant


def test_a_known_name_is_like_none() -> None:
    assert similar_name("old", ["Old", "old"]) is None


def test_doubts_of_new_things(tmp_path: Path) -> None:
    with Journal(tmp_path / "log", create=True) as journal:
        journal.append(Chanter("Old"))
        journal.append(Order("Band", "Old"))
        journal.append(Reed("R-1", "moulded", "A"))
        assert [one.kind for one in name_doubts(journal, Chanter("old"))[0]] == ["name-alike"]
        assert [one.column for one in name_doubts(journal, Order("band", "Old"))[0]] == ["order"]
        assert name_doubts(journal, Reed("R-2", "moulded", "A")) == ([], [])
        assert name_doubts(journal, Reed("R-2", "cane", "C")) == ([], ["new type cane", "new batch C"])
        found, fresh = name_doubts(journal, Reed("r1", "Moulded", "A"))
        assert [(one.kind, one.column) for one in found] == [
            ("name-alike", "reed"),
            ("name-alike", "reed_type"),
            ("batch-types", "reed_type"),
        ]
        assert fresh == ["new type Moulded", "new batch A of Moulded (there is one of moulded)"]
        assert "Batch A is of type moulded so far" in found[-1].sentence


@pytest.mark.parametrize("name", ["e\u0301", "\u00c9"])
def test_a_known_name_in_another_form_is_said_to_be_so_at_entry_and_after(tmp_path: Path, name: str) -> None:
    """Two names may look the same: "did you mean é?" says nothing of the one that was typed."""
    with Journal(tmp_path / "log", create=True) as journal:
        journal.append(Reed("\u00e9", "moulded", "A"))
        (doubt,) = name_doubts(journal, Reed(name, "moulded", "A"))[0]
        assert doubt.sentence == (
            f"'{name}' differs from the reed '\u00e9' in case, blanks or Unicode form alone; did you mean \u00e9?"
        )
        journal.append(Reed(name, "moulded", "A"))
        (mark,) = rule_marks(journal)
    assert mark.sentence == doubt.sentence


def test_a_kind_or_a_weight_that_looks_like_a_known_one_is_asked_about(tmp_path: Path) -> None:
    with Journal(tmp_path / "log", create=True) as journal:
        journal.append(Chanter("Old", kind="long bore"))
        journal.append(Order("Band", "Old", weight="medium"))
        journal.append(Reed("R-1", "moulded", "A", weight="hard"))
        assert name_doubts(journal, Chanter("New", kind="long bore")) == ([], [])
        found, fresh = name_doubts(journal, Chanter("New", kind="Long Bore"))
        assert [(one.kind, one.column) for one in found] == [("name-alike", "kind")]
        assert "did you mean long bore?" in found[0].sentence
        assert fresh == ["new kind Long Bore"]
        assert name_doubts(journal, Chanter("New", kind="short")) == ([], ["new kind short"])
        # a crow is of a type that the reeds have
        (doubt,) = name_doubts(journal, Chanter("New", working_crow_type="Moulded"))[0]
        assert (doubt.column, "did you mean moulded?" in doubt.sentence) == ("working_crow_type", True)
        assert name_doubts(journal, Chanter("New", working_crow_type="moulded")) == ([], [])
        # and else tells nothing, were it said before or not
        for name, new in (("New", ["new type cane"]), ("Newer", [])):
            (doubt,), fresh = name_doubts(journal, Chanter(name, working_crow_type="cane"))
            assert (
                doubt.sentence == "No reed of type 'cane' was logged before: until one is, its crow tells nothing. "
                "Types known then: moulded."
            )
            assert fresh == new
            journal.append(Chanter(name, working_crow_type="cane"))
        # a type that a crow is of is known: was new once more with its first reed
        assert name_doubts(journal, Reed("R-9", "cane", "B")) == ([], ["new batch B"])
        (doubt,) = name_doubts(journal, Reed("R-9", "Cane", "B"))[0]
        assert "did you mean cane?" in doubt.sentence
        # orders and reeds share their words for weight
        assert name_doubts(journal, Reed("R-2", "moulded", "A", weight="medium")) == ([], [])
        assert name_doubts(journal, Order("Solo", "Old", weight="hard")) == ([], [])
        (doubt,) = name_doubts(journal, Order("Solo", "Old", weight="meduim"))[0]
        assert (doubt.column, "did you mean medium?" in doubt.sentence) == ("weight", True)
