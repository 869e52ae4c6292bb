"""The journal: what is kept, what is refused, what comes back."""

from __future__ import annotations

import contextlib
import sqlite3
import string
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimfit.base.errors import InputError, LogError, TrimfitError
from trimfit.base.iso_dates import at_s
from trimfit.base.pitch import DEFAULT_RATIOS, NOTES
from trimfit.base.records import Chanter, Doubt, Order, Outcome, Reading, Reed, Trim
from trimfit.log.entry_kinds import KINDS
from trimfit.log.journal import Journal


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "bench.trimfit"
    with Journal(path, create=True) as journal:
        journal.append(Chanter("CH-1", meeting_pitch_hz=474.0))
        journal.append(Chanter("CH-2"))
        journal.append(Order("O-1", "CH-1", quantity=12))
        journal.append(Reed("R-1", "moulded", "B-1", blade_mm=23.0, order="O-1"))
        journal.append(Reed("R-2", "moulded", "B-1"))
        journal.append(Reed("R-3", "cane", "B-2"))
    return path


def reading(reed: str = "R-1", at: str = "2026-03-01T10:00", f_hz: float = 780.0, **more: object) -> Reading:
    return Reading(reed, at, notes_hz={"f": f_hz, "e": 703.0}, **more)  # type: ignore[arg-type]


def test_an_entry_is_there_after_the_log_is_closed_and_opened(log: Path) -> None:
    with Journal(log) as journal:
        logged = journal.append(reading(crow_hz=532.4, taped=("high_g", "f"), remark=" damp "))
    with Journal(log) as journal:
        history = journal.of_reed("R-1")
    assert [entry.entry for entry in history.readings] == [logged.entry]
    assert history.readings[0] == logged
    assert history.readings[0].record.taped == ("f", "high_g")
    assert history.readings[0].record.remark == "damp"
    assert history.readings[0].at_s == 1772359200.0
    assert history.order == Order("O-1", "CH-1", quantity=12)
    assert history.chanter == Chanter("CH-1", meeting_pitch_hz=474.0)


def test_chanter_without_an_order_is_that_of_the_last_reading(log: Path) -> None:
    with Journal(log) as journal:
        journal.append(reading("R-2", "2026-03-01T10:00", chanter="CH-1"))
        journal.append(reading("R-2", "2026-03-01T11:00", chanter="CH-2"))
        journal.append(reading("R-2", "2026-03-01T12:00", 781.0))
        assert journal.of_reed("R-2").chanter == Chanter("CH-2")
        assert journal.of_reed("R-2").order is None
        assert journal.of_reed("R-3").chanter is None


def test_order_of_entries_is_that_of_their_instants_whatever_their_offsets(log: Path) -> None:
    with Journal(log) as journal:
        for at in ("2026-03-01T12:00+02:00", "2026-03-01T10:30Z", "2026-03-01T09:00", "2026-03-01"):
            journal.append(reading(at=at))
        times = [entry.record.taken_at for entry in journal.of_reed("R-1").readings]
    assert times == ["2026-03-01", "2026-03-01T09:00", "2026-03-01T12:00+02:00", "2026-03-01T10:30Z"]


def test_the_same_row_is_one_entry_on_every_bench(log: Path, tmp_path: Path) -> None:
    with Journal(log) as journal:
        first = journal.append(reading())
        again = journal.append(reading())
        assert again == first
        assert journal.count("reading") == 1
    with Journal(tmp_path / "other", create=True) as other:
        other.append(Reed("R-1", "another type", "B-9"))
        assert other.append(reading()).entry == first.entry


def test_integers_and_floats_of_one_value_are_one_entry(log: Path) -> None:
    with Journal(log) as journal:
        assert journal.append(reading(f_hz=780)).entry == journal.append(reading(f_hz=780.0)).entry


def test_struck_entries_do_not_count_and_can_be_logged_again(log: Path) -> None:
    with Journal(log) as journal:
        wrong = journal.append(reading(f_hz=790.0))
        journal.strike(wrong.entry, "digit")
        assert journal.of_reed("R-1").readings == ()
        right = journal.append(reading(f_hz=780.0))
        journal.strike(right.entry, "no, the first was right")
        back = journal.append(reading(f_hz=790.0))
        assert back.entry != wrong.entry
        assert [entry.entry for entry in journal.of_reed("R-1").readings] == [back.entry]
        assert journal.count("strike") == 2


def test_strike_refuses_what_it_cannot_name(log: Path) -> None:
    with Journal(log) as journal:
        entry = journal.append(reading()).entry
        strike = journal.strike(entry[:12], "prefix will do")
        with pytest.raises(InputError, match="was struck before"):
            journal.strike(entry, "twice")
        with pytest.raises(InputError, match="no entry has this id"):
            journal.strike("rea-nonesuch", "why")
        with pytest.raises(InputError, match="no entry has this id"):
            journal.strike("%", "why")
        with pytest.raises(InputError, match="a strike is not struck"):
            journal.strike(strike, "why")
        with pytest.raises(InputError, match="several entries begin like this"):
            journal.find(_shared_prefix(journal))


def _shared_prefix(journal: Journal) -> str:
    for i in range(40000):
        entry = journal.append(reading(at=f"2026-04-{1 + i // 1440:02d}T{i // 60 % 24:02d}:{i % 60:02d}")).entry
        beginning = entry[:6]
        if len([row for row in journal.columns("reading", ["entry"]) if row[0].startswith(beginning)]) > 1:
            return beginning
    raise AssertionError("no two ids share their beginning")


@pytest.mark.parametrize(
    ("record", "match"),
    [
        (reading("R-9"), "did you mean R-"),
        (reading(chanter="CH-9"), "chanter 'CH-9' is not in the log"),
        (Reed("R-8", "cane", "B-2", order="O-9"), "order 'O-9' is not in the log"),
        (Order("O-2", "nowhere"), "chanter 'nowhere' is not in the log"),
        (Reed("R-1", "moulded", "B-2"), "batch B-1, not B-2"),
        (Trim("R-1", "2026-03-01T10:00"), "nothing was taken off"),
        (Trim("R-1", "2026-03-01T10:00", length_mm=-0.1), "out of bounds"),
        (Trim("R-1", "2026-03-01T10:00", length_mm=23.0), "did you mean 0.23, typed in hundredths"),
        (reading(at="2026-02-30T10:00"), "impossible time"),
        (reading(at="yesterday"), "not a time"),
        (reading(f_hz=float("nan")), "nan is not a number"),
        (reading(f_hz=float("inf")), "inf is not a number"),
        (reading(f_hz=7800.0), "did you mean 780, a digit too many"),
        (reading(f_hz=77.0), "give 633.33 to 933.33: is a digit missing"),
        (reading(f_hz=77.91), "did you mean 779.1, the point a place off"),
        (reading(f_hz=1560.0), "did you mean 780, an octave lower"),
        (reading(f_hz=390.0), "did you mean 780, an octave higher"),
        (Reading("R-1", "2026-03-01T10:00", notes_hz={"high_g": 410.0}), "did you mean 820, an octave higher"),
        (reading(f_hz=468.0), "did you mean 780, which reads as low A as typed"),
        (reading(crow_hz="532"), "not a number"),
        (reading(taped=("h",)), "is no note"),
        (Reed("", "cane", "B-2"), "is empty"),
        (Reed(" \t", "cane", "B-2"), "is empty"),
        (Reed("a\0b", "cane", "B-2"), "NUL"),
        (Reed("a\ud800b", "cane", "B-2"), "not UTF-8"),
        (Reed("a" * 100_001, "cane", "B-2"), "100,001 characters"),
        (Reed("R-7", "cane", "B-2", blade_mm=230.0), "did you mean 23"),
        (Order("O-2", "CH-1", quantity=1.5), "not a whole number"),  # type: ignore[arg-type]
        (Order("O-2", "CH-1", due_on="2026-13-01"), "impossible date"),
        (Outcome("R-1", "2026-03-01", "fine"), "say good, lost, to-stock"),
    ],
)
def test_what_cannot_be_meant_is_refused_and_nothing_is_kept(log: Path, record: object, match: str) -> None:
    with Journal(log) as journal:
        before = journal.last_seq()
        with pytest.raises(InputError) as caught:
            journal.append(record)
        assert match in " | ".join(caught.value.lines())
        assert journal.last_seq() == before


def test_trims_may_not_take_the_whole_blade(log: Path) -> None:
    with Journal(log) as journal:
        journal.append(Trim("R-1", "2026-03-01T10:00", length_mm=14.0))
        with pytest.raises(InputError, match="past the blade of 23 mm"):
            journal.append(Trim("R-1", "2026-03-01T11:00", length_mm=9.0))
        journal.append(Trim("R-1", "2026-03-01T11:00", length_mm=8.9))
        journal.append(Trim("R-2", "2026-03-01T11:00", length_mm=14.0))
        known = journal.entry_of("reed", "R-1")
        assert known is not None
        journal.strike(known.entry, "blade")
        with pytest.raises(InputError, match="past a blade of 20 mm"):
            journal.append(Reed("R-1", "moulded", "B-1", blade_mm=20.0))


def test_another_row_of_the_same_key_is_refused_with_the_way_out(log: Path) -> None:
    with Journal(log) as journal:
        kept = journal.append(reading())
        with pytest.raises(InputError) as caught:
            journal.append(reading(f_hz=781.5))
        assert "f_hz 780, not 781.5" in caught.value.line()
        assert f"trimfit log strike {kept.entry}" in caught.value.line()


def test_accepted_doubts_stay_with_their_entry(log: Path) -> None:
    with Journal(log) as journal:
        doubt = Doubt("a-unbalanced", "high_a_hz", "the A's do not balance")
        logged = journal.append(reading(), doubts=[doubt])
        journal.append(reading(), doubts=[doubt, "plain: said otherwise"])
        journal.append(reading(at="2026-03-02"))
        first, second = journal.of_reed("R-1").readings
    assert logged.doubts == ("a-unbalanced: the A's do not balance",)
    assert first.doubts == ("a-unbalanced: the A's do not balance", "plain: said otherwise")
    assert second.doubts == ()


def test_nothing_that_was_logged_can_be_changed_or_taken_out(log: Path) -> None:
    with Journal(log) as journal:
        entry = journal.append(reading()).entry
        connection = journal._connection
        for table in (kind.table for kind in KINDS.values()):
            count = connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            if not count:
                continue
            for statement in (f"DELETE FROM {table}", f"UPDATE {table} SET generation = 7"):
                with pytest.raises(sqlite3.IntegrityError, match="never changed"):
                    connection.execute(statement)
        with pytest.raises(sqlite3.IntegrityError):
            connection.execute("INSERT OR REPLACE INTO readings SELECT * FROM readings WHERE entry = ?", (entry,))
        fields = "entry, generation, reed, taken_at, at_s"
        for value in (float("inf"), -float("inf"), "text", 0.0):
            with pytest.raises(sqlite3.IntegrityError):
                connection.execute(f"INSERT INTO readings ({fields}, f_hz) VALUES ('x', 0, 'R', 't', 0, ?)", (value,))


def test_many_histories_are_the_same_as_one_at_a_time(log: Path) -> None:
    with Journal(log) as journal:
        journal.append(reading())
        journal.append(Trim("R-1", "2026-03-01T10:00", length_mm=0.2))
        journal.append(reading("R-3", chanter="CH-2"))
        journal.append(Outcome("R-3", "2026-03-02", "to-stock"))
        together = journal.of_reeds()
        assert together == [journal.of_reed(name) for name in ("R-1", "R-2", "R-3")]
        assert [entry.reed.record.reed for entry in journal.of_reeds(["R-3", "R-1", "R-3"])] == ["R-3", "R-1"]
        assert [entry.reed.record.reed for entry in journal.of_reeds(open_only=True)] == ["R-1"]
        assert [entry.reed.record.reed for entry in journal.of_reeds(["R-2", "R-1"], open_only=True)] == ["R-1"]
        assert [entry.reed.record.reed for entry in journal.blanks()] == ["R-2"]
        with pytest.raises(InputError, match="R-9"):
            journal.of_reeds(["R-1", "R-9"])
        # A reading and a trim at one instant: the reading was taken before.
        history = journal.of_reed("R-1")
        assert history.readings[0].at_s <= history.trims[0].at_s


def test_a_batch_is_of_its_type(log: Path) -> None:
    with Journal(log) as journal:
        assert [entry.reed.record.reed for entry in journal.of_batch("moulded", "B-1")] == ["R-1", "R-2"]
        assert journal.of_batch("cane", "B-1") == []


def test_columns_in_bulk(log: Path) -> None:
    with Journal(log) as journal:
        journal.append(reading())
        seen = journal.last_seq()
        struck = journal.append(reading(at="2026-03-02", f_hz=790.0))
        journal.append(reading("R-2", crow_hz=530.0))
        journal.strike(struck.entry, "slip")
        assert journal.columns("reading", ["reed", "f_hz", "crow_hz"]) == [("R-1", 780.0, None), ("R-2", 780.0, 530.0)]
        assert journal.columns("reading", ["reed"], after_seq=seen) == [("R-2",)]
        assert journal.columns("reed", ["reed", "order"])[0] == ("R-1", "O-1")
        with pytest.raises(InputError, match="did you mean f_hz"):
            journal.columns("reading", ["f_hzz"])
        with pytest.raises(InputError, match="is no column"):
            journal.columns("reed", ["reed FROM reeds; DROP TABLE reeds"])


def test_names_of_every_sort_are_kept_as_they_are(log: Path) -> None:
    names = [
        "x'; DROP TABLE reeds;--",
        "../../x",
        "<script>",
        "=1+1",
        "'=1",
        "emoji 🎶",
        "n" * 10_000,
        'a "b" c',
        "%_",
    ]
    with Journal(log) as journal:
        for name in names:
            journal.append(Reed(name, name, name))
            journal.append(Reading(name, "2026-03-01", crow_hz=532.0, remark=name))
        for name in names:
            assert journal.of_reed(name).readings[0].record.remark == name
            assert [entry.reed.record.reed for entry in journal.of_batch(name, name)] == [name]


def test_settings_are_checked_kept_and_the_last_one_counts(log: Path) -> None:
    with Journal(log) as journal:
        assert journal.settings().tolerance_hz == 1.0
        journal.set_setting("tolerance_hz", "0,8")
        journal.set_setting("tolerance_hz", "0.5")
        journal.set_setting("ratio_low_g", "7/8")
        assert journal.settings().tolerance_hz == 0.5
        assert float(journal.scale()["low_g"]) == 0.875
        for name, value, match in [
            ("tolerance", "1", "did you mean"),
            ("tolerance_hz", "-1", "out of bounds"),
            ("tolerance_hz", "much", "not a number"),
            ("ratio_d", "5/4", "say 4/3 or 27/20"),
            ("chance_past_ceiling", "2", "give"),
        ]:
            with pytest.raises(InputError, match=match):
                journal.set_setting(name, value)
        last = journal.set_setting("tolerance_hz", "2")
        journal.strike(last, "no")
        assert journal.settings().tolerance_hz == 0.5


def test_what_was_learned_is_kept_beside_the_entries(log: Path) -> None:
    with Journal(log) as journal:
        assert journal.learned_get("card") is None
        journal.learned_put({"card": b"\x00\x01", "other": b""})
        journal.learned_put({"card": b"new"})
        assert (journal.learned_get("card"), journal.learned_get("other")) == (b"new", b"")


def test_of_many_things_learned_the_last_ones_stay(log: Path) -> None:
    with Journal(log) as journal:
        journal.learned_put({"card": b"", "plan:a": b"a", "plan:b": b"b"})
        journal.learned_put({"plan:c": b"c", "plan:a": b"new"}, ("plan:", 2))
        kept = [journal.learned_get(key) for key in ("card", "plan:a", "plan:b", "plan:c")]
    assert kept == [b"", None, b"b", b"c"]


def test_a_transaction_is_undone_whole(log: Path) -> None:
    with Journal(log) as journal:
        before = journal.last_seq()
        with pytest.raises(ZeroDivisionError):
            _log_and_fail(journal)
        assert journal.last_seq() == before
        journal.append(reading())
        assert journal.count("reading") == 1


def _log_and_fail(journal: Journal) -> None:
    with journal.writing():
        journal.append(reading())
        raise ZeroDivisionError


def test_files_that_are_no_log_are_refused_and_left_alone(tmp_path: Path) -> None:
    missing = tmp_path / "none"
    with pytest.raises(LogError, match="there is no log here"):
        Journal(missing)
    assert not missing.exists()
    with pytest.raises(LogError, match="folder for the log is not there"):
        Journal(tmp_path / "no" / "log", create=True)
    with pytest.raises(TrimfitError, match="folder"):
        Journal(tmp_path, create=True)
    text = tmp_path / "text"
    text.write_text("reed,taken_at\n" * 20)
    other = tmp_path / "other.db"
    with contextlib.closing(sqlite3.connect(other)) as connection, connection:
        connection.execute("CREATE TABLE accounts (name TEXT)")
    connection.close()
    for path in (text, other):
        before = path.read_bytes()
        for create in (False, True):
            with pytest.raises(LogError, match="not a trimfit log"):
                Journal(path, create=create)
        assert path.read_bytes() == before
    empty = tmp_path / "empty"
    empty.touch()
    with pytest.raises(LogError, match="holds nothing yet"):
        Journal(empty)
    with Journal(empty, create=True) as journal:
        assert journal.last_seq() == 0


names = st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1, max_size=30).filter(str.strip)
texts = st.none() | st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=40)
hz = st.none() | st.floats(381.0, 559.0)


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    notes = {note: draw(hz) for note in NOTES}
    return Reading(
        reed="R",
        taken_at=draw(st.datetimes(datetime(1900, 1, 1), datetime(2200, 12, 31))).isoformat(),
        crow_hz=draw(st.none() | st.floats(200.0, 1500.0)),
        notes_hz={note: low_a * float(DEFAULT_RATIOS[note]) for note, low_a in notes.items() if low_a is not None},
        g_octave_hz=draw(st.none() | st.floats(680.0, 990.0)),
        pressure_kpa=draw(st.none() | st.floats(0.5, 20.0)),
        temperature_c=draw(st.none() | st.floats(-10.0, 50.0)),
        humidity_pct=draw(st.none() | st.floats(0.0, 100.0)),
        taped=draw(st.sampled_from([(), ("f",), ("low_g", "f", "high_a")])),
        remark=draw(texts),
    )


@settings(max_examples=30, deadline=None)
@given(record=readings().filter(lambda one: one.notes_hz or one.crow_hz or one.g_octave_hz), reed=names, why=names)
def test_any_record_comes_back_as_it_went_in(long_log: Path, record: Reading, reed: str, why: str) -> None:
    with Journal(long_log) as journal:
        logged = journal.append(record)
        kept = journal.append(Reed(reed, reed, reed)) if reed.strip() != "R" else None
    with Journal(long_log) as journal:
        back = journal.of_reed("R").readings[0]
        assert back == logged
        remark = (record.remark or "").strip() or None
        assert back.record == Reading(**{**_fields(record), "remark": remark})
        if kept is not None:
            assert journal.of_reed(reed).reed.record == Reed(*[" ".join(reed.split())] * 3)
        journal.strike(logged.entry, why)
        assert journal.of_reed("R").readings == ()


@pytest.fixture(scope="module")
def long_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("long") / "log"
    with Journal(path, create=True) as journal:
        journal.append(Reed("R", "T", "B"))
    return path


def _fields(record: Reading) -> dict[str, object]:
    return {name: getattr(record, name) for name in Reading.__dataclass_fields__}


@given(st.text(string.printable, max_size=25))
def test_any_text_is_a_time_or_a_fault(text: str) -> None:
    from trimfit.base import iso_dates

    instant, remedy = 0.0, "none needed"
    try:
        instant = iso_dates.at_s(iso_dates.parse_time(text))
    except InputError as error:
        remedy = error.remedy
    assert remedy
    assert -3e9 < instant < 8e9


def test_of_a_past_moment_no_reed_counts_that_was_made_on_a_later_day(tmp_path: Path) -> None:
    with Journal(tmp_path / "log", create=True) as journal:
        journal.append(Chanter("C"))
        journal.append(Order("O", "C"))
        for name, made_on, order in (
            ("1", "2026-06-01", "O"),
            ("2", "2026-06-18", "O"),
            ("3", None, "O"),
            ("4", "2026-07-01", None),
        ):
            journal.append(Reed(name, "t", "b", made_on=made_on, order=order))
        then = at_s("2026-06-15T12:00")
        assert [one.reed.record.reed for one in journal.blanks(until_s=then)] == ["1", "3"]
        assert [one.reed.record.reed for one in journal.of_reeds(None, open_only=True, until_s=then)] == ["1", "3"]
        assert len(journal.blanks()) == 4
