"""import, export, merge, check and settings as commands: what they print, their JSON, their exit codes."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import resource
import shutil
import sqlite3
import subprocess
import sys
import urllib.parse  # noqa: F401  (loaded before leave to read Python's own library may be given up)
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.cli import typed_words
from tests.opened import on
from trimfit.base.errors import TrimfitError, unwritable
from trimfit.base.records import Chanter, Reading, Reed
from trimfit.log.file import schema
from trimfit.log.file.unfinished_files import draft_beside
from trimfit.log.journal import Journal
from trimfit.verbs import check as verbs_check
from trimfit.verbs import import_export, settings
from trimfit.verbs import log as verbs_log
from trimfit.verbs.sitting.sitting import sitting_on

SHOP = {
    "chanters.csv": "chanter\nCH-1\n",
    "reeds.csv": "reed,reed_type,batch\nR-1,moulded,B-1\nR-2,moulded,B-1\n",
    "readings.csv": "reed,taken_at,low_a_hz,high_a_hz,f_hz\nR-1,2026-03-01T10:00,470,950,780\n",
}


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    folder = tmp_path / "shop"
    folder.mkdir()
    for name, text in SHOP.items():
        (folder / name).write_text(text)
    return folder


def run(log: Path, *words: str | Path, **more: object) -> subprocess.CompletedProcess[str]:
    """A call of the command line; with `more` for subprocess, or a stream to give, in a process of its own."""
    if not more:
        return typed_words.run(log, *words)
    command = [sys.executable, "-m", "trimfit", "--log", str(log), *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, **more)  # type: ignore[call-overload]
    assert "Traceback" not in done.stderr
    return done  # type: ignore[no-any-return]


def test_heads_and_dates_of_a_sheet_kept_by_hand_are_hinted_at_and_sent_to_draft(tmp_path: Path, shop: Path) -> None:
    (shop / "trims.csv").write_text("reed,Date,Taken mm,Meant mm\nR-1,2026-03-01,0.1,0.1\n")
    lines = run(tmp_path / "log", "import", shop).stderr.splitlines()
    assert "trims.csv:1: date: is no column of this file; did you mean done_at?" in lines
    assert "trims.csv:1: taken mm: is no column of this file; did you mean length_mm?" in lines
    assert "trims.csv:1: meant mm: is no column of this file; did you mean asked_mm?" in lines
    draft = "a sheet of another form: trimfit draft SHEET FOLDER"
    assert lines[-1] == draft
    (shop / "trims.csv").write_text("reed,done_at,length_mm\nR-1,21/3/2026,0.1\n")
    assert run(tmp_path / "log", "import", shop).stderr.splitlines()[-1] == draft
    (shop / "trims.csv").write_text("reed,done_at,length_mm\nR-1,2026-03-21,wide\n")
    assert draft not in run(tmp_path / "log", "import", shop).stderr


def test_what_a_merge_refused_is_parted_into_what_it_is(tmp_path: Path) -> None:
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    for log, batch, hz in ((ours, "B-1", "0.8"), (theirs, "B-2", "0.9")):
        run(log, "log", "reed", "R-1", "--type", "moulded", "--batch", batch)
        run(log, "settings", "tolerance_hz", hz)
    said = run(ours, "merge", theirs).stdout.splitlines()
    assert said[0] == f"merge {theirs}: 1 new, 0 known"
    assert "  set aside, until its conflict is settled: 1 entry" in said
    assert "  left out, of settings that differ: 1 entry" in said
    assert any(line.startswith("1 in conflict;") for line in said)


def test_import_export_merge_check_and_settings(tmp_path: Path, shop: Path) -> None:
    log = tmp_path / "log"
    first = run(log, "import", shop, "--json")
    answer = json.loads(first.stdout)
    assert (first.returncode, answer["new"], answer["known"], answer["refused"]) == (0, 4, 0, 0)
    assert [mark["kind"] for mark in answer["doubts"]] == ["a-unbalanced", "no-chanter"]
    again = run(log, "import", shop)
    assert again.stdout.splitlines()[0] == f"import {shop}: 0 new, 4 known, 0 refused"
    out = json.loads(run(log, "export", tmp_path / "out", "--json").stdout)
    assert (out["new"], out["known"]) == (4, 0)
    assert json.loads(run(log, "export", tmp_path / "out", "--json").stdout)["known"] == 4
    said = run(log, "export", tmp_path / "out").stdout.splitlines()
    assert said[0] == f"export {tmp_path / 'out'}: 4 entries written, 4 of them as they lay there already"
    assert "  readings.csv: 1" in said
    merged = json.loads(run(tmp_path / "other", "merge", log, "--json").stdout)
    assert (merged["new"], merged["known"], merged["refused"], merged["conflicts"]) == (4, 0, 0, [])
    check = json.loads(run(log, "check", "--json").stdout)
    assert (check["sound"], check["entries"]["reading"]) == (True, 1)
    assert sum(check["entries"].values()) == answer["new"]
    assert run(log, "settings", "tolerance_hz", "0,8").returncode == 0
    assert json.loads(run(log, "settings", "--json").stdout)["tolerance_hz"] == 0.8
    assert json.loads(run(log, "settings", "ratio_d", "--json").stdout) == {"ratio_d": "4/3"}


def test_an_import_that_fails_says_every_fault_and_makes_no_log(tmp_path: Path, shop: Path) -> None:
    (shop / "readings.csv").write_text("reed,taken_at,f_hz\nR-1,2026-03-01,7800\nR-9,x,y\n")
    log = tmp_path / "log"
    done = run(log, "import", shop)
    assert done.returncode == 2
    assert [line.split(": ")[0] for line in done.stderr.splitlines()] == ["readings.csv:2"] + ["readings.csv:3"] * 3
    assert done.stdout == ""
    done = run(log, "import", shop, "--json")
    answer = json.loads(done.stdout)
    assert (done.returncode, answer["new"], answer["refused"], len(answer["faults"])) == (2, 0, 2, 4)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["shop"]


def test_a_row_with_several_faults_is_refused_once(tmp_path: Path, shop: Path) -> None:
    """A row whose chanter is in no file, and that has another fault, counted twice."""
    rows = "R-1,2026-03-01T10:00,7800,CH-8\nR-1,x,780,CH-8\nR-1,2026-03-01T11:00,780,CH-9\n"
    (shop / "readings.csv").write_text(f"reed,taken_at,f_hz,chanter\n{rows}")
    (shop / "trims.csv").write_text("reed,done_at,length_mm\nR-1,y,0.2\n")
    answer = json.loads(run(tmp_path / "log", "import", shop, "--json").stdout)
    assert answer["refused"] == 4
    assert {fault["column"] for fault in answer["faults"]} == {"f_hz", "taken_at", "chanter", "done_at"}


def test_what_a_killed_import_left_is_cleared_away_and_nothing_else(tmp_path: Path, shop: Path) -> None:
    log = tmp_path / "log"
    killed = (
        "import os, pathlib, sys; from trimfit.log.file.unfinished_files import draft_beside\n"
        "with draft_beside(pathlib.Path(sys.argv[1])): os._exit(9)"
    )
    left = subprocess.run([sys.executable, "-c", killed, log], timeout=60)
    assert left.returncode == 9
    (dead,) = tmp_path.glob(".log.*.draft")
    (dead / "log").write_text("half")
    # As a draft is called on another machine, where nobody here can say whether its process runs.
    machine, _, rest = dead.name.removeprefix(".log.").partition("-")
    elsewhere = tmp_path / f".log.{machine[::-1]}-{rest}"
    elsewhere.mkdir()
    with draft_beside(log) as under_way:
        theirs = [".log.20261127", ".log.999999999", ".log.20261127120000", f".log.{os.getpid()}", f"{dead.name}.old"]
        for name in theirs:
            (tmp_path / name).write_text("somebody's backup")
        assert run(log, "import", shop).returncode == 0
        names = {path.name for path in tmp_path.iterdir()}
        assert names == {"log", "shop", elsewhere.name, under_way.name, *theirs}
        # One that was killed when its log had its name already goes with the next import.
        dead.mkdir()
        assert run(log, "import", shop).returncode == 0
        assert not dead.exists()
    assert not under_way.exists()


@pytest.mark.parametrize(
    "words",
    [
        ["import", "none"], ["export", "out"], ["check"], ["merge", "none"], ["settings", "tolerance", "1"],
        ["settings", "tolerance"], ["log", "reading", "R-1", "f=780"], ["nonesuch"], ["import"],
    ],
)  # fmt: skip
def test_a_wrong_request_is_one_line_and_exit_code_two(tmp_path: Path, words: list[str]) -> None:
    done = run(tmp_path / "log", *words, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.strip()
    assert not list(tmp_path.iterdir())


def test_a_damaged_log_is_told_and_exit_code_is_one(tmp_path: Path, shop: Path) -> None:
    log = tmp_path / "log"
    run(log, "import", shop)
    with contextlib.closing(sqlite3.connect(log)) as connection, connection:
        connection.execute("DROP TRIGGER readings_no_update")
        connection.execute("UPDATE readings SET f_hz = 781")
    connection.close()
    done = run(log, "check", "--json")
    assert done.returncode == 1
    assert "its content was changed" in json.loads(done.stdout)["damage"][0]
    assert "an earlier backup" in run(log, "check").stderr
    # A file that was cut short or overwritten in the middle.
    content = bytearray(log.read_bytes())
    content[4096 * 3 : 4096 * 40] = os.urandom(4096 * 37)
    log.write_bytes(content)
    assert run(log, "check").returncode == 1


def test_a_full_disk_harms_nothing(tmp_path: Path, shop: Path) -> None:
    log = tmp_path / "log"
    run(log, "import", shop)
    more = tmp_path / "more"
    more.mkdir()
    rows = [f"R-1,{2000 + i // 300}-{1 + i // 25 % 12:02d}-{1 + i % 25:02d},470,940,780\n" for i in range(2500)]
    (more / "readings.csv").write_text("reed,taken_at,low_a_hz,high_a_hz,f_hz\n" + "".join(rows))
    before = log.stat().st_size

    def little_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (before + 200_000, before + 200_000))

    done = run(log, "import", more, preexec_fn=little_room)
    assert (done.returncode, len(done.stderr.splitlines())) == (1, 1)
    assert "full" in done.stderr
    assert run(log, "import", more).returncode == 0

    def no_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))

    for target, words in ((log, ["export", tmp_path / "out"]), (tmp_path / "new", ["import", more])):
        done = run(target, *words, preexec_fn=no_room)
        assert done.returncode in (1, 2)
        assert done.stderr.strip()
    assert not (tmp_path / "out").exists()
    assert not (tmp_path / "new").exists()
    check = json.loads(run(log, "check", "--json").stdout)
    assert (check["sound"], check["entries"]["reading"]) == (True, 2501)


def test_a_small_full_disk(tmp_path: Path, shop: Path) -> None:
    """The same on a real file system that is full, where one may be mounted; else on the device that is always full."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = (
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", disk], capture_output=True).returncode == 0
    )
    try:
        log = disk / "log"
        if mounted:
            assert run(log, "import", shop).returncode == 0
            (disk / "ballast").write_bytes(b"\0" * (os.statvfs(disk).f_bavail * os.statvfs(disk).f_frsize))
            done = run(log, "log", "reading", "R-1", "f=781", "--remark", "x" * 90_000)
        else:
            done = run(Path("/dev/full"), "import", shop)
        assert done.returncode in (1, 2)
        assert len(done.stderr.splitlines()) == 1
        if mounted:
            (disk / "ballast").unlink()
            check = json.loads(run(log, "check", "--json").stdout)
            assert (check["sound"], check["entries"]["reading"]) == (True, 1)
    finally:
        if mounted:
            subprocess.run(["umount", disk], check=True)


@contextlib.contextmanager
def as_one_who_may_not(place: Path) -> Iterator[None]:
    """Inside, `place` can be read and not written; the superuser steps back to somebody whom that binds."""
    for path in (place, *place.parents):
        if path.stat().st_uid == os.getuid() and path != Path("/"):
            path.chmod(path.stat().st_mode | 0o055)
    place.chmod(0o555)
    superuser = os.geteuid() == 0
    try:
        if superuser:
            os.seteuid(65534)
        yield
    finally:
        if superuser:
            os.seteuid(0)
        place.chmod(0o755)


def test_without_leave_to_write_a_log_is_read_and_not_harmed(tmp_path: Path, shop: Path) -> None:
    place = tmp_path / "place"
    place.mkdir()
    log = place / "log"
    writing = [
        (on, (verbs_log.log_reading, "R-1", ["f=781"]), {"at": "2027-01-01"}),
        (import_export.import_folder, (shop,), {}),
        (settings.set_setting, ("tolerance_hz", "2"), {}),
        (import_export.export_folder, (place / "out",), {}),
    ]
    # Once where it is allowed, so that every module is loaded.
    free = tmp_path / "free"
    import_export.import_folder(free, shop)
    for verb, words, more in writing[:3]:
        verb(free, *words, **more)
    import_export.export_folder(free, tmp_path / "out")
    verbs_check.check(free)
    import_export.import_folder(log, shop)
    before = log.read_bytes()
    (shop / "readings.csv").write_text(SHOP["readings.csv"] + "R-1,2026-03-02T10:00,470,950,780\n")
    log.chmod(0o444)
    with as_one_who_may_not(place):
        for verb, words, more in writing:
            with pytest.raises(TrimfitError) as caught:
                verb(log, *words, **more)
            assert "written" in caught.value.line() or "Permission denied" in caught.value.line()
        checked = verbs_check.check(log)
        with Journal(log) as journal:
            history = journal.of_reed("R-1")
    assert checked.damage == ()
    assert len(history.readings) == 1
    assert log.read_bytes() == before
    assert sorted(path.name for path in place.iterdir()) == ["log"]


def test_a_log_that_may_not_be_written_is_known_as_that_and_takes_no_sitting(tmp_path: Path, shop: Path) -> None:
    """Was found out when something was written: `ask` could not keep a fit that was due, and gave no answer (of a log
    that is known to be read only it does: tests/session); `bench` asked for a reading first."""
    place = tmp_path / "place"
    place.mkdir()
    log = place / "log"
    import_export.import_folder(log, shop)
    assert on(log, sitting_on, ["R-1"]).reeds == ["R-1"]
    for mode in (0o444, 0o666):  # neither may be written; the folder alone, in which each write makes a file
        log.chmod(mode)
        with as_one_who_may_not(place):
            with Journal(log) as journal:
                assert journal.read_only
            with pytest.raises(TrimfitError, match="the log cannot be written here; allow writing to it"):
                on(log, sitting_on, ["R-1"])
    place.chmod(0o777)
    log.chmod(0o444)
    with as_one_who_may_not(log):
        with Journal(log) as journal:
            assert journal.read_only
    log.chmod(0o644)
    with Journal(log) as journal:
        assert not journal.read_only


@pytest.mark.parametrize(
    "words",
    [
        ("log", "reed", "R-1", "--type", "moulded", "--batch", "B-1"),
        ("log", "chanter", "Heron"),
        ("settings", "tolerance_hz", "1"),
        ("import", "shop"),
    ],
)
def test_a_new_log_is_said_to_be_one_and_once(tmp_path: Path, shop: Path, words: tuple[str, ...]) -> None:
    """The name may be a slip, or TRIMFIT_LOG forgotten."""
    log, typed = tmp_path / "log", [shop if word == "shop" else word for word in words]
    first = run(log, *typed, "--json")
    assert (first.returncode, first.stderr) == (0, f"new log {log}\n")
    json.loads(first.stdout)
    assert run(log, *typed).stderr == ""


def test_settings_of_no_log_are_not_shown(tmp_path: Path) -> None:
    """Was: the defaults, as if there were one."""
    for words in (("settings",), ("settings", "tolerance_hz")):
        asked = run(tmp_path / "none", *words)
        assert (asked.returncode, asked.stdout) == (2, "")
        assert "none: there is no log here; import a folder" in asked.stderr
    assert not (tmp_path / "none").exists()


WRITER = """
import sys
from collections.abc import Iterator
from pathlib import Path
from trimfit.log.file.unfinished_files import draft_beside
from trimfit.log.journal import Journal
from trimfit.base.records import Reading
log, me, many = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
with Journal(log, create=True) as journal:
    for i in range(many):
        at = f"20{10 + me}-{1 + i // 25 % 12:02d}-{1 + i % 25:02d}T{i // 300:02d}:00"
        print(journal.append(Reading("R-1", at, crow_hz=500.0 + me)).entry, flush=True)
"""


def test_four_writers_at_once_lose_nothing(tmp_path: Path) -> None:
    log, many = tmp_path / "log", 100
    with Journal(log, create=True) as journal:
        journal.append(Reed("R-1", "moulded", "B-1"))
    command = [sys.executable, "-c", WRITER, str(log)]
    writers = [
        subprocess.Popen([*command, str(i), str(many)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        for i in range(4)
    ]
    told: list[str] = []
    for writer in writers:
        out, err = writer.communicate(timeout=120)
        assert (writer.returncode, err) == (0, "")
        told += out.split()
    with Journal(log) as journal:
        kept = {entry for (entry,) in journal.columns("reading", ["entry"])}
        assert len(told) == len(kept) == 4 * many
        assert kept == {*told}
        assert journal.last_seq() == 4 * many + 2  # the reed, and the zone that the log was made in


def test_two_processes_may_make_the_log_at_once(tmp_path: Path) -> None:
    log = tmp_path / "log"
    command = [sys.executable, "-m", "trimfit", "--log", str(log), "log", "chanter"]
    makers = [subprocess.Popen([*command, f"CH-{i}"], stderr=subprocess.PIPE, text=True) for i in range(4)]
    told = [maker.communicate(timeout=120)[1] for maker in makers]
    assert [maker.returncode for maker in makers] == [0] * 4
    assert sorted(told) == ["", "", "", f"new log {log}\n"]  # by the one that made it
    with Journal(log) as journal:
        assert sorted(journal.chanters()) == [f"CH-{i}" for i in range(4)]


def test_a_reading_is_checked_with_numpy_and_no_heavier_library(tmp_path: Path, shop: Path) -> None:
    log = tmp_path / "log"
    run(log, "import", shop)
    code = (
        "import sys; from trimfit.cli.app import app\n"
        "try: app(sys.argv[1:])\n"
        "except SystemExit: pass\n"
        "print([name for name in ('pandas', 'scipy', 'statsmodels', 'sklearn', 'matplotlib') if name in sys.modules])"
    )
    command = [sys.executable, "-c", code, "--log", str(log), "log", "reading", "R-1", "f=781"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
    with Journal(log) as journal:
        assert journal.of_reed("R-1").readings[-1].record == Reading(
            "R-1", journal.of_reed("R-1").readings[-1].record.taken_at, "CH-1", notes_hz={"f": 781.0}
        )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["log", "reed", "-R7", "--type", "m"], "No such option: -R"),
        (["log", "trim", "R-1", "-0.1"], "an amount is more than 0: write it without the minus"),
        (["log", "trim", "R-1", "--lenght", "0.1"], "--length"),
        (["log", "rename", "R-1"], "Missing argument 'NEW'"),
        (["trim", "R-1", "0.1"], "say trimfit log trim …"),
        (["log", "good", "13"], "say trimfit log outcome REED good"),
        (["undo"], "say trimfit log strike --last"),
        (["amend", "tri-k3v7q2m9"], "say trimfit log amend …"),
        (["review", "letter"], "say trimfit review ticket --letter ORDER"),
        (["log", "list"], "say trimfit ask --all"),
        (["nonsense"], "No such command 'nonsense'"),
        (["pick", "a", "b", "c"], "unexpected extra argument"),
        (["ask", "R-1", "--log", "log"], "--log goes before the verb"),
    ],
)
def test_a_call_that_cannot_be_understood_is_one_line_too(tmp_path: Path, words: list[str], said: str) -> None:
    answer = run(tmp_path / "log", *words)
    assert answer.returncode == 2
    assert answer.stdout == ""
    (line,) = answer.stderr.splitlines()
    assert said in line
    assert line.endswith("--help")


def test_a_column_of_another_file_is_told_where_it_belongs(tmp_path: Path) -> None:
    folder = tmp_path / "csv"
    folder.mkdir()
    (folder / "reeds.csv").write_text("reed,reed_type,batch,crow\nR-1,m,B,C\n", encoding="utf-8")
    answer = run(tmp_path / "log", "import", folder)
    assert answer.returncode == 2
    assert answer.stderr.startswith("reeds.csv:1: crow: is no column of this file; it belongs in readings.csv")


def test_a_file_that_is_not_taken_is_named(tmp_path: Path) -> None:
    folder = tmp_path / "csv"
    folder.mkdir()
    (folder / "reeds.csv").write_text("reed,reed_type,batch\nR-1,m,B\n", encoding="utf-8")
    (folder / "my reeds.csv").write_text("reed\nR-2\n", encoding="utf-8")
    assert "not taken, being no file of a log folder: my reeds.csv" in run(tmp_path / "log", "import", folder).stdout
    answer = run(tmp_path / "log", "import", folder, "--json")
    assert json.loads(answer.stdout)["passed_over"] == ["my reeds.csv"]


def test_of_many_faults_alike_ten_are_listed_and_the_rest_counted(tmp_path: Path) -> None:
    folder = tmp_path / "csv"
    folder.mkdir()
    rows = "".join(f"R-1,{day:02d}/11/2026,523\n" for day in range(1, 13))
    (folder / "reeds.csv").write_text("reed,reed_type,batch\nR-1,m,B\n", encoding="utf-8")
    (folder / "readings.csv").write_text("reed,taken_at,crow_hz\n" + rows, encoding="utf-8")
    answer = run(tmp_path / "log", "import", folder)
    *each, last, _ = answer.stderr.splitlines()
    assert len(each) == 10
    assert last.startswith("readings.csv: taken_at: 2 more like the 10 listed, lines 12 to 13; write it as 2026-03-01")
    assert len(json.loads(run(tmp_path / "log", "import", folder, "--json").stdout)["faults"]) == 12


def test_the_counts_of_very_many_faults_follow_from_one_another(tmp_path: Path) -> None:
    """Was: 3,000 more faults that are not listed, and then 4,990 more like those listed."""
    folder = tmp_path / "csv"
    folder.mkdir()
    (folder / "reeds.csv").write_text("reed,reed_type,batch\nR-1,m,B\n", encoding="utf-8")
    (folder / "readings.csv").write_text("reed,taken_at,crow_hz\n" + "R-1,2026-03-01,x\n" * 8000, encoding="utf-8")
    *each, alike, rest = run(tmp_path / "log", "import", folder).stderr.splitlines()
    assert len(each) == 10
    assert alike.startswith("readings.csv: crow_hz: 4,990 more like the 10 listed, lines 12 to 5,001; ")
    assert rest == "readings.csv: 3,000 more faults come after these 5,000; mend these first"


def test_chanters_that_two_files_name_are_one_file_to_add(tmp_path: Path) -> None:
    """Was: a list for each file, neither of them whole."""
    folder = tmp_path / "csv"
    folder.mkdir()
    (folder / "reeds.csv").write_text("reed,reed_type,batch\nR-1,m,B\n")
    (folder / "orders.csv").write_text("order,chanter\nO-1,Heron\nO-2,Tern\n")
    readings = 'R-1,2026-03-01T10:00,Heron,780\nR-1,2026-03-01T10:01,"Otter,  old",780\n'
    (folder / "readings.csv").write_text("reed,taken_at,chanter,f_hz\n" + readings)
    first, *rest = run(tmp_path / "log", "import", folder).stderr.splitlines()
    assert first == (
        "orders.csv:2: chanter: neither the folder nor the log has chanter 'Heron', 'Tern', 'Otter, old', named on "
        "2 rows of orders.csv and 2 rows of readings.csv; mend the name, or add chanters.csv with these lines"
    )
    assert rest == ["chanter", "Heron", "Tern", '"Otter, old"']
    (folder / "chanters.csv").write_text("\n".join(rest))
    assert json.loads(run(tmp_path / "log", "import", folder, "--json").stdout)["new"] == 8


def test_the_file_that_a_folder_lacks_is_said_ready_to_copy(tmp_path: Path, shop: Path) -> None:
    (shop / "chanters.csv").unlink()
    rows = "".join(f"R-1,2026-03-01T10:{minute:02d},CH-{minute % 2},780\n" for minute in range(60))
    (shop / "readings.csv").write_text("reed,taken_at,chanter,f\n" + rows)
    answer = run(tmp_path / "log", "import", shop)
    first, *rest = answer.stderr.splitlines()
    assert first.startswith("readings.csv:2: chanter: neither the folder nor the log has chanter 'CH-0', 'CH-1'")
    assert rest == ["chanter", "CH-0", "CH-1"]
    (shop / "chanters.csv").write_text("\n".join(rest))
    taken = json.loads(run(tmp_path / "log", "import", shop, "--json").stdout)
    assert (taken["new"], taken["notices"]) == (
        64,
        ["readings.csv: column 'f' was taken for f_hz: its numbers are sounding hertz"],
    )


def test_every_setting_has_a_meaning(tmp_path: Path) -> None:
    from trimfit.cli.folders import MEANINGS
    from trimfit.log.settings import NAMES

    assert [*MEANINGS] == [*NAMES]
    assert run(tmp_path / "log", "settings", "tolerance_hz", "1").returncode == 0
    said = run(tmp_path / "log", "settings").stdout
    assert "Hz" in said
    assert "a reed is good with F and E no further apart" in " ".join(said.split())


def test_a_setting_is_taken_with_the_unit_that_is_shown(tmp_path: Path) -> None:
    typed = {"bench_pressure_kpa": "6.5 kPa", "bench_temperature_c": "21°C", "minutes_per_cut": "3 min"}
    for name, value in {**typed, "drift_settle_cents_per_week": "4 cents a week"}.items():
        said = run(tmp_path / "log", "settings", name, *value.split(" ")).stdout
        assert value.replace("°", " °") in said
    refused = run(tmp_path / "log", "settings", "bench_pressure_kpa", "26 in")
    assert refused.returncode == 2
    assert refused.stderr == "bench_pressure_kpa: 'in' is no unit of pressure; use kPa, mbar, inH2O or mmH2O\n"
    refused = run(tmp_path / "log", "settings", "bench_pressure_kpa", "hard")
    assert refused.stderr == "bench_pressure_kpa: 'hard' is not a number; give a number, in kPa\n"
    assert "21.111111 °C" in run(tmp_path / "log", "settings", "bench_temperature_c", "70", "F").stdout


def test_two_files_of_one_name_are_named_and_neither_is_taken(tmp_path: Path, shop: Path) -> None:
    (shop / "REEDS.CSV").write_text("reed,reed_type,batch\nR-3,moulded,B-1\n")
    done = run(tmp_path / "log", "import", shop)
    assert done.returncode == 2
    assert "reeds.csv" in done.stderr
    assert "REEDS.CSV" in done.stderr
    assert not (tmp_path / "log").exists()


def test_what_can_be_read_by_nobody_is_named_itself(tmp_path: Path, shop: Path) -> None:
    (shop / "readings.csv").unlink()
    (shop / "readings.csv").symlink_to("/proc/self/mem")  # a file that opens, and gives an error when it is read
    done = run(tmp_path / "log", "import", shop)
    assert (done.returncode, len(done.stderr.splitlines())) == (2, 1)
    assert done.stderr.startswith("readings.csv: cannot be read (Input/output error)")
    (shop / "readings.csv").unlink()
    os.mkfifo(shop / "readings.csv")
    done = run(tmp_path / "log", "import", shop)
    assert done.returncode == 2
    assert f"{shop / 'readings.csv'}: is no file" in done.stderr


@pytest.mark.parametrize("verb", [["check"], ["log", "reading", "R-1", "f=780"], ["import", "shop"], ["merge", "log"]])
def test_what_is_no_file_is_no_log(tmp_path: Path, shop: Path, verb: list[str]) -> None:
    os.mkfifo(tmp_path / "log")
    (tmp_path / "folder").mkdir()
    logs = [tmp_path / "log", tmp_path / "folder", Path("/dev/null")]
    for log in logs if verb[0] != "merge" else [tmp_path / "new"]:
        done = run(log, *verb, cwd=tmp_path)
        assert (done.returncode, len(done.stderr.splitlines())) == (2, 1)
        assert "is no file that can hold a log" in done.stderr or "is a folder, not a log" in done.stderr


def test_a_backup_is_a_whole_log_and_replaces_nothing_that_it_lacks(tmp_path: Path, shop: Path) -> None:
    log, backup = tmp_path / "log", tmp_path / "saturday.trimfit"
    run(log, "import", shop)
    assert "  reading entries: 1" in run(log, "backup", tmp_path / "friday.trimfit").stdout.splitlines()
    (tmp_path / "friday.trimfit").unlink()
    first = json.loads(run(log, "backup", backup, "--json").stdout)
    with Journal(backup) as copy:
        assert copy.count("reading") == 1
    assert first["by_kind"]["reading"] == {"new": 1, "known": 0}
    # as many as the other verbs say
    assert first["new"] == json.loads(run(log, "export", tmp_path / "shop2", "--json").stdout)["new"]
    assert first["new"] == sum(json.loads(run(log, "check", "--json").stdout)["entries"].values())
    shutil.rmtree(tmp_path / "shop2")
    settings.set_setting(log, "tolerance_hz", "0.8")
    with Journal(log):  # a sitting is open
        again = json.loads(run(log, "backup", backup, "--json").stdout)
    assert (again["new"], again["known"], again["refused"]) == (1, first["new"], 0)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["log", "saturday.trimfit", "shop"]
    # The backup was worked on: it holds what the log lacks.
    settings.set_setting(backup, "tolerance_hz", "0.9")
    (tmp_path / "notes.txt").write_text("not a log")
    (tmp_path / "link").symlink_to(tmp_path / "notes.txt")
    (tmp_path / "empty").write_bytes(b"")
    for name in ("saturday.trimfit", "notes.txt", "link", "empty", "log", "shop"):
        path = tmp_path / name
        before = None if path.is_dir() else path.read_bytes()
        done = run(log, "backup", path)
        assert (done.returncode, len(done.stderr.splitlines())) == (2, 1), name
        assert "name another file" in done.stderr
        assert name != "saturday.trimfit" or "says tolerance_hz 0.9, this log 0.8" in done.stderr
        assert path.is_dir() or path.read_bytes() == before
    assert run(log, "backup", tmp_path / "none" / "file").returncode == 2
    # The remedy works, and what was settled once is no reason to refuse again.
    for value in ("0.9", "0.7"):
        settings.set_setting(log, "tolerance_hz", value)
        assert run(log, "backup", backup).returncode == 0
    with Journal(backup, create=True) as copy:
        copy.append(Chanter("CH-new"))
    assert "holds 1 entry (chanter) that this log lacks" in run(log, "backup", backup).stderr


@pytest.mark.parametrize(
    "words", [["export", "FILE/out"], ["backup", "FILE/in/copy"], ["draft", "SHEET", "FILE/out"], ["demo", "FILE/out"]]
)
def test_a_folder_that_cannot_be_written_is_a_wrong_request(tmp_path: Path, shop: Path, words: list[str]) -> None:
    log = tmp_path / "log"
    run(log, "import", shop)
    blocked = tmp_path / "file"
    blocked.write_text("x")
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("reed,date,F,E\nR-1,2026-03-01,780,705\nR-2,2026-03-01,781,705\n")
    done = run(log, *(word.replace("FILE", str(blocked)).replace("SHEET", str(sheet)) for word in words))
    assert done.returncode == 2, done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_a_full_disk_is_no_wrong_request() -> None:
    full = unwritable("out", OSError(errno.ENOSPC, "No space left on device"))
    assert (full.exit_code, full.line()) == (
        1, "out: cannot be written (No space left on device); make room, or name another folder"
    )  # fmt: skip
    assert unwritable("out", PermissionError(errno.EACCES, "Permission denied")).exit_code == 2


def test_a_full_disk_of_a_backup_is_said_of_the_backup(
    tmp_path: Path, shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Was: said of the log, on another disk."""
    log, target = tmp_path / "log", tmp_path / "stick" / "copy"
    run(log, "import", shop)
    target.parent.mkdir()
    opened = sqlite3.connect

    def connect(path: object, *args: object, **given: object) -> sqlite3.Connection:
        connection = opened(path, *args, **given)  # type: ignore[call-overload]
        if str(path).startswith(str(target.parent)):
            connection.execute("PRAGMA max_page_count = 3")
        return connection  # type: ignore[no-any-return]

    monkeypatch.setattr(sqlite3, "connect", connect)
    with pytest.raises(TrimfitError) as full:
        import_export.back_up(log, target)
    assert (full.value.exit_code, full.value.line()) == (
        1, f"{target}: cannot be written (No space left on device); make room, or name another folder"
    )  # fmt: skip
    assert not list(target.parent.iterdir())


def test_an_older_log_is_brought_up_to_date_and_it_is_told_on_stderr(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log, other = tmp_path / "old.trimfit", tmp_path / "other.trimfit"
    with monkeypatch.context() as then:
        then.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:5])
        with contextlib.closing(sqlite3.connect(log, isolation_level=None)) as connection:
            schema.bring_up_to_date(connection, log, create=True)
    shutil.copy(log, other)
    copy = tmp_path / "old.trimfit.before-v6"
    first = run(log, "check", "--json")
    assert json.loads(first.stdout)["sound"]
    assert first.stderr == f"old.trimfit was brought up to date for this trimfit; as it was: {copy}\n"
    assert copy.exists()
    assert run(log, "check").stderr == ""
    assert run(log, "merge", other).stderr == ""  # another bench's log stays as it is
