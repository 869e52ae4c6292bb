"""kill -9 at random moments of import, log, amend, sitting, merge and rename.

What was acknowledged stays, and nothing is half there.

`pytest tests/log/test_journal_crash.py -m crash -s` kills 200 times in each (TRIMFIT_CRASHES sets another number) and
prints what it saw; a few kills of each are part of the usual run.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from pathlib import Path

import pytest

from tests.opened import append_all
from trimfit.base.records import Reading, Reed, Trim
from trimfit.log.file.integrity import damage
from trimfit.log.journal import Journal
from trimfit.log.sheets.folder_export import export_folder
from trimfit.log.sheets.folder_import import import_folder
from trimfit.verbs import import_export

FULL = int(os.environ.get("TRIMFIT_CRASHES", "200"))
ROUNDS = [pytest.param(3, id="few"), pytest.param(FULL, id="many", marks=pytest.mark.crash)]
REEDS, READINGS_EACH = 40, 30

BEGIN = (
    "import sys; from pathlib import Path; from trimfit.verbs import import_export, log; "
    "from trimfit.session.session import Session\n"
)
PRELOAD = (
    "import trimfit.entry.doubt_marks, trimfit.entry.line_parser, trimfit.log.merging.merge, "
    "trimfit.log.sheets.folder_import\n"
)
IMPORT = (
    BEGIN
    + PRELOAD
    + "print('go', flush=True); import_export.import_folder(Path(sys.argv[1]), Path(sys.argv[2])); print('done')"
)
MERGE = (
    BEGIN
    + PRELOAD
    + "print('go', flush=True); import_export.merge_log(Path(sys.argv[1]), Path(sys.argv[2])); print('done')"
)
RENAME = (
    BEGIN
    + PRELOAD
    + "import trimfit.log.merging.rename; print('go', flush=True); "
    + "log.rename(Session(Path(sys.argv[1])), 'R-0', 'R-0b'); print('done')"
)
LOG = (
    BEGIN
    + PRELOAD
    + """
print('go', flush=True)
for i in range(int(sys.argv[2]), 10**9):
    at = f"{2000 + i // 100000}-01-01T{i // 3600 % 24:02d}:{i // 60 % 60:02d}:{i % 60:02d}.{i // 86400:03d}"
    with Session(Path(sys.argv[1])) as session:
        kept = log.log_reading(session, "R-0", ["crow=C+22", "f=780"], at=at)
    print(kept.entry, flush=True)
"""
)
AMEND = (
    BEGIN
    + PRELOAD
    + """
import trimfit.entry.amendments, trimfit.entry.checks, trimfit.log.merging.conflicts
from trimfit.verbs.corrections.amend import amend_entry

entry, session = sys.argv[2], Session(Path(sys.argv[1]))
print('go', flush=True)
for i in range(int(sys.argv[3]), 10**9):
    kept = amend_entry(session, entry, [f"length={0.1 + i % 9000 / 1000:.3f}"])
    print(entry, kept.entry, flush=True)
    entry = kept.entry
"""
)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder whose import takes long enough to be killed in."""
    folder = tmp_path_factory.mktemp("shop")
    (folder / "reeds.csv").write_text("reed,reed_type,batch\n" + "".join(f"R-{i},T,B\n" for i in range(REEDS)))
    rows = [
        f"R-{i},2026-01-01T{j // 60:02d}:{j % 60:02d},{500 + i + j / 10},470.5,{780 + j / 10}\n"
        for i in range(REEDS)
        for j in range(READINGS_EACH)
    ]
    (folder / "readings.csv").write_text("reed,taken_at,crow_hz,low_a_hz,f_hz\n" + "".join(rows))
    return folder


def start(code: str, *words: str | Path) -> subprocess.Popen[str]:
    """A process that has loaded all it needs and is about to begin."""
    process = subprocess.Popen(
        [sys.executable, "-c", code, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "go\n"
    return process


def killed(process: subprocess.Popen[str], after_s: float) -> tuple[bool, list[str]]:
    """Kill a process after a while; whether it was still at work, and the lines it had acknowledged."""
    time.sleep(after_s)
    process.send_signal(signal.SIGKILL)
    out, err = process.communicate(timeout=60)
    assert err == ""
    return process.returncode == -signal.SIGKILL, out.split("\n")[:-1]


def duration_s(code: str, *words: str | Path) -> float:
    """How long the work takes when it is left alone."""
    process = start(code, *words)
    began = time.perf_counter()
    _, err = process.communicate(timeout=120)
    assert (process.returncode, err) == (0, "")
    return time.perf_counter() - began


class Delay:
    """How long to wait before a kill. It follows the machine, however busy that is: half of the kills come at random
    moments of the work, and half after its end."""

    def __init__(self, code: str, *words: str | Path, seed: int) -> None:
        self._usual_s, self._random = duration_s(code, *words), random.Random(seed)

    def next_s(self) -> float:
        return self._random.uniform(0.0, 2.0 * self._usual_s)

    def heard(self, *, midway: bool) -> None:
        """The last kill came midway, or too late."""
        self._usual_s *= 1.15 if midway else 1.0 / 1.15


def window_s(code: str, *words: str | Path) -> float:
    """How long a process takes here and now to acknowledge a dozen entries: kills fall into so long a time."""
    process = start(code, *words)
    assert process.stdout is not None
    began = time.perf_counter()
    for _ in range(12):
        process.stdout.readline()
    killed(process, 0.0)
    return time.perf_counter() - began


def readings_in(log: Path) -> int:
    """How many readings a log holds, once it is sure that it is sound."""
    with Journal(log) as journal:
        assert damage(journal) == []
        assert journal.conflicts() == []
        return journal.count("reading")


def remove(log: Path) -> None:
    for path in log.parent.glob(f"*{log.name}*"):
        path.unlink()


@pytest.mark.parametrize("rounds", ROUNDS)
@pytest.mark.parametrize("fresh", [True, False], ids=["into a new log", "into a log in use"])
def test_an_import_is_there_whole_or_not_at_all(tmp_path: Path, shop: Path, rounds: int, fresh: bool) -> None:
    log, delay = tmp_path / "log", Delay(IMPORT, tmp_path / "trial", shop, seed=rounds)
    whole = REEDS * READINGS_EACH
    seen: Counter[str] = Counter()
    for _ in range(rounds):
        remove(log)
        if not fresh:
            with Journal(log, create=True) as journal:
                journal.append(Reed("R-old", "T", "B"))
                journal.append(Reading("R-old", "2025-01-01", crow_hz=530.0))
        midway, said = killed(start(IMPORT, log, shop), delay.next_s())
        delay.heard(midway=midway)
        before = 0 if fresh else 1
        kept = readings_in(log) if log.exists() else 0
        assert kept in (before, before + whole)
        assert kept == before + whole or "done" not in said
        seen["killed at work" if midway else "killed when done"] += 1
        seen["whole" if kept > before else "nothing"] += 1
        import_export.import_folder(log, shop)
        assert readings_in(log) == before + whole
        # Nothing of the killed import is left lying about.
        assert not list(tmp_path.glob(".log.*"))
    print(f"\nimport ({'new' if fresh else 'in use'}): {rounds} kills, {dict(seen)}")


@pytest.mark.parametrize("rounds", ROUNDS)
def test_every_acknowledged_entry_is_there(tmp_path: Path, rounds: int) -> None:
    log, random_ = tmp_path / "log", random.Random(rounds)
    with Journal(log, create=True) as journal:
        journal.append(Reed("R-0", "T", "B"))
    acknowledged: list[str] = []
    longest_s = window_s(LOG, log, 0)
    for _ in range(rounds):
        tried = readings_in(log)
        process = start(LOG, log, tried)
        _, said = killed(process, random_.uniform(0.0, longest_s))
        acknowledged += said
        longest_s *= 0.8 if said else 2.0  # a busy machine takes longer now than a moment ago
        with Journal(log) as journal:
            assert damage(journal) == []
            kept = {entry for (entry,) in journal.columns("reading", ["entry"])}
        assert kept >= {*acknowledged}
        # At most the one that was under way when the process died was kept and not told.
        assert len(kept) - tried - len(said) in (0, 1)
    print(f"\nlog: {rounds} kills, {len(acknowledged):,} entries acknowledged, none lost")
    assert acknowledged


@pytest.mark.parametrize("rounds", ROUNDS)
def test_an_entry_is_amended_whole_or_not_at_all(tmp_path: Path, rounds: int) -> None:
    """At every moment one of the two entries counts, at the same instant: never both, never none."""
    log, folder, random_ = tmp_path / "log", tmp_path / "folder", random.Random(rounds)
    done_at, amended = "2026-01-02T10:00", 0
    with Journal(log, create=True) as journal:
        journal.append(Reed("R-0", "T", "B"))
        entry = journal.append(Trim("R-0", done_at, length_mm=0.05)).entry
    seen: Counter[str] = Counter()
    for _ in range(rounds):
        process = start(AMEND, log, entry, str(amended + 1))
        # A folder that is written meanwhile holds the one or the other, and comes back whole.
        with Journal(log) as journal:
            export_folder(journal, folder)
        remove(tmp_path / "again")
        with Journal(tmp_path / "again", create=True) as journal:
            import_folder(journal, folder)
            assert len(journal.of_reed("R-0").trims) == 1
        midway, said = killed(process, random_.uniform(0.0, 0.25))
        with Journal(log) as journal:
            assert damage(journal) == []
            assert journal.conflicts() == []
            (trim,) = journal.of_reed("R-0").trims
            struck = {one for (one,) in journal.columns("strike", ["struck"])}
            with journal.reading() as connection:
                (written,) = connection.execute("SELECT count(*) FROM trims").fetchone()
        assert trim.record.done_at == done_at
        pairs = [line.split() for line in said]
        assert {old for old, _ in pairs} <= struck
        # Whatever was acknowledged stands, or is struck by the one amendment that was under way.
        assert not pairs or trim.entry == pairs[-1][1] or pairs[-1][1] in struck
        assert written == 1 + len(struck)
        assert len(struck) - amended - len(pairs) in (0, 1)
        entry, amended = trim.entry, len(struck)
        seen["killed at work" if midway else "killed when done"] += 1
    print(f"\namend: {rounds} kills, {dict(seen)}, {amended} amended, none lost, none twice")


@pytest.mark.parametrize("rounds", ROUNDS)
def test_a_merge_is_there_whole_or_not_at_all(tmp_path: Path, shop: Path, rounds: int) -> None:
    other, mine, log = tmp_path / "other", tmp_path / "mine", tmp_path / "log"
    import_export.import_folder(other, shop)
    with Journal(mine, create=True) as journal:
        journal.append(Reed("R-old", "T", "B"))
        journal.append(Reading("R-old", "2025-01-01", crow_hz=530.0))
    whole = REEDS * READINGS_EACH
    shutil.copy(mine, log)
    delay = Delay(MERGE, log, other, seed=rounds)
    seen: Counter[str] = Counter()
    for _ in range(rounds):
        remove(log)
        shutil.copy(mine, log)
        midway, said = killed(start(MERGE, log, other), delay.next_s())
        delay.heard(midway=midway)
        kept = readings_in(log)
        assert kept in (1, 1 + whole)
        assert kept == 1 + whole or "done" not in said
        assert readings_in(other) == whole
        seen["killed at work" if midway else "killed when done"] += 1
        seen["whole" if kept > 1 else "nothing"] += 1
        import_export.merge_log(log, other)
        assert readings_in(log) == 1 + whole
    print(f"\nmerge: {rounds} kills, {dict(seen)}")


@pytest.mark.parametrize("rounds", ROUNDS)
def test_a_reed_is_renamed_whole_or_not_at_all(tmp_path: Path, rounds: int) -> None:
    log, mine = tmp_path / "log", tmp_path / "mine"
    with Journal(mine, create=True) as journal:
        rows = [Reading("R-0", f"2026-01-01T{i // 60:02d}:{i % 60:02d}", crow_hz=500.0 + i / 10) for i in range(900)]
        append_all(journal, [Reed("R-0", "T", "B"), *rows])
    shutil.copy(mine, log)
    delay = Delay(RENAME, log, seed=rounds)
    seen: Counter[str] = Counter()
    for _ in range(rounds):
        remove(log)
        shutil.copy(mine, log)
        midway, said = killed(start(RENAME, log), delay.next_s())
        delay.heard(midway=midway)
        assert readings_in(log) == 900
        with Journal(log) as journal:
            (name,) = journal.reeds()
            assert {reed for (reed,) in journal.columns("reading", ["reed"])} == {name}
        assert name == "R-0b" or "done" not in said
        seen["killed at work" if midway else "killed when done"] += 1
        seen[f"now {name}"] += 1
    print(f"\nrename: {rounds} kills, {dict(seen)}")


SITTING = (
    BEGIN
    + PRELOAD
    + """
import random, time
from trimfit.base.errors import TrimfitError
from trimfit.verbs.sitting.bench import Bench
from trimfit.verbs.sitting.sitting import Sitting

log, first = Path(sys.argv[1]), int(sys.argv[2])
with Session(log) as session:
    bench = Bench(session)
    bench.doubts = lambda *_, **__: ()
    bench.answer = lambda reed: (_ for _ in ()).throw(TrimfitError("no answer"))
    at = [first]
    def clock():
        at[0] += 1
        i = at[0]
        return f"{2000 + i // 80000}-01-01T{i // 3600 % 24:02d}:{i // 60 % 60:02d}:{i % 60:02d}.{i // 86400:03d}"
    sitting = Sitting(bench, clock, scripted=True)
    list(sitting.open())
    list(sitting.feed("reed R-0"))
    print("go", flush=True)
    while True:
        list(sitting.feed("crow C+22 f 780"))
        assert sitting.faults == 0
        entry = session.journal.last_of("R-0")
        print(entry, flush=True)
        time.sleep(float(sys.argv[3]))
"""
)


def acknowledged_in(log: Path) -> set[str]:
    with Journal(log) as journal:
        assert damage(journal) == []
        return {entry for (entry,) in journal.columns("reading", ["entry"])}


@pytest.mark.parametrize("rounds", ROUNDS)
def test_a_sitting_keeps_what_it_acknowledged_in_the_log_itself(tmp_path: Path, rounds: int) -> None:
    log, random_ = tmp_path / "log", random.Random(rounds)
    with Journal(log, create=True) as journal:
        journal.append(Reed("R-0", "T", "B"))
    acknowledged: set[str] = set()
    beside, longest_s = 0, window_s(SITTING, log, 0, "0")
    for _ in range(rounds):
        process = start(SITTING, log, readings_in(log), "0")
        _, said = killed(process, random_.uniform(0.0, longest_s))
        acknowledged |= set(said)
        longest_s *= 0.8 if said else 2.0
        beside += len(list(tmp_path.glob("log-*")))
        assert acknowledged_in(log) >= acknowledged
    print(f"\nsitting: {rounds} kills, {len(acknowledged):,} acknowledged, none lost; {beside} left a side file")
    assert acknowledged


@pytest.mark.parametrize("copies", [pytest.param(5, id="few"), pytest.param(100, id="many", marks=pytest.mark.crash)])
def test_a_copy_at_any_moment_of_a_sitting_has_what_was_acknowledged(tmp_path: Path, copies: int) -> None:
    """The copy is of the one file alone, as `cp` makes it, while the sitting goes on."""
    log, random_ = tmp_path / "log", random.Random(copies)
    with Journal(log, create=True) as journal:
        journal.append(Reed("R-0", "T", "B"))
    process = start(SITTING, log, 0, "0.2")
    said: list[str] = []
    taken: list[tuple[Path, int]] = []
    hearing = threading.Thread(target=lambda: said.extend(line.strip() for line in process.stdout or ()))
    hearing.start()
    try:
        for number in range(copies):
            time.sleep(random_.uniform(0.1, 0.4))
            acknowledged, copy = len(said), tmp_path / f"copy-{number}"
            shutil.copyfile(log, copy)
            taken.append((copy, acknowledged))
    finally:
        process.kill()
        process.wait()
        hearing.join()
        for stream in (process.stdout, process.stderr):
            assert stream is not None
            stream.close()
    for copy, count in taken:
        assert acknowledged_in(copy) >= set(said[:count])
    print(f"\ncopies: {len(taken)} of a sitting of {len(said)} entries, none lacks one that was acknowledged before")
    assert taken[-1][1] > 0
