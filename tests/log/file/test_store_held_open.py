"""A log held open by one process while others write it: no handle closed here may drop the locks others rely on."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from trimfit.base.records import Reading, Reed
from trimfit.log.journal import Journal
from trimfit.log.merging.merge import merge_logs


def said_elsewhere(path: Path, code: str) -> None:
    subprocess.run([sys.executable, "-c", f"path = {str(path)!r}\n{code}"], check=True, capture_output=True)


WRITE = """
from pathlib import Path
from trimfit.log.journal import Journal
from trimfit.base.records import Reading
with Journal(Path(path)) as journal:
    journal.append(Reading("R-1", "2026-03-01T10:00:%02d", crow_hz={hz}))
"""


def test_what_others_log_while_a_sitting_asks_and_asks_again_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "log.trimfit"
    with Journal(path, create=True) as sitting:
        sitting.append(Reed("R-1", "moulded", "B-1"))
        for number in range(6):
            with Journal(path) as asking:  # as each answer at the bench does
                asking.of_reed("R-1")
            said_elsewhere(path, WRITE.format(hz=510.0 + number) % number)
            assert len(sitting.of_reed("R-1").readings) == number + 1
        sitting.append(Reading("R-1", "2026-03-01T11:00:00", crow_hz=530.0))
    with Journal(path) as after:
        assert len(after.of_reed("R-1").readings) == 7
        assert after.count("reading") == 7


def test_merging_a_log_into_itself_keeps_its_locks(tmp_path: Path) -> None:
    path = tmp_path / "log.trimfit"
    with Journal(path, create=True) as mine:
        mine.append(Reed("R-1", "moulded", "B-1"))
        merge_logs(mine, path)
        said_elsewhere(path, WRITE.format(hz=510.0) % 0)
        assert len(mine.of_reed("R-1").readings) == 1
