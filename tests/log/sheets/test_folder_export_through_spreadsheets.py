"""The exported folder opened and saved by two spreadsheet programs: the same entries, nothing new.

They need Debian's `libreoffice-calc-nogui` (soffice) and `gnumeric` (ssconvert). Run by hand: `pytest -m reference`.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from trimfit.base.records import Doubt
from trimfit.log.journal import Journal
from trimfit.log.sheets.folder_export import export_folder
from trimfit.log.sheets.folder_import import import_folder

DEMO = Path(__file__).parents[3] / "datasets_demo" / "shop"
# Options of the first program's CSV filter: comma, double quotes, UTF-8; the last says whether numbers and dates that
# it knows are taken as such when a file is opened.
AS_THEY_STAND, AS_DATES = "44,34,76,1,,0,false,false", "44,34,76,1,,0,false,true"


def _soffice(options: str) -> Callable[[Path, Path], None]:
    def convert(folder: Path, out: Path) -> None:
        files = [str(path) for path in sorted(folder.glob("*.csv"))]
        home = f"-env:UserInstallation=file://{out.parent}/profile"
        opened = out.parent / "opened"
        for target, source, where in (("ods", files, opened), ("csv", None, out)):
            source = source or [str(path) for path in sorted(opened.glob("*.ods"))]
            reading = [f"--infilter=CSV:{options}"] if target == "ods" else []
            command = ["soffice", home, "--headless", "--convert-to", target, *reading, "--outdir", str(where), *source]
            subprocess.run(command, check=True, capture_output=True, timeout=300)

    return convert


def _ssconvert(folder: Path, out: Path) -> None:
    for path in sorted(folder.glob("*.csv")):
        book = out.parent / f"{path.stem}.gnumeric"
        subprocess.run(["ssconvert", str(path), str(book)], check=True, capture_output=True, timeout=120)
        subprocess.run(["ssconvert", str(book), str(out / path.name)], check=True, capture_output=True, timeout=120)


@pytest.mark.reference
@pytest.mark.parametrize(
    "convert",
    [
        pytest.param(_soffice(AS_THEY_STAND), id="soffice, cells as they stand"),
        pytest.param(_soffice(AS_DATES), id="soffice, dates taken for dates"),
        pytest.param(_ssconvert, id="ssconvert"),
    ],
)
def test_a_folder_saved_by_a_spreadsheet_holds_the_same_entries(
    convert: Callable[[Path, Path], None], tmp_path: Path
) -> None:
    assert shutil.which("soffice"), "apt-get install libreoffice-calc-nogui"
    assert shutil.which("ssconvert"), "apt-get install gnumeric"
    log, exported, saved = tmp_path / "log", tmp_path / "exported", tmp_path / "saved"
    saved.mkdir()
    with Journal(log, create=True) as journal:
        import_folder(journal, DEMO)
        history = journal.of_reed("R-0355")
        journal.strike(history.trims[-1].entry, 'the other reed, "I think"')
        journal.append(history.trims[-1].record, doubts=[Doubt("odd", "length_mm", "so long a cut?")])
        journal.set_setting("tolerance_hz", "0.8")
        export_folder(journal, exported)
        convert(exported, saved)
        counts = import_folder(journal, saved)
        assert (counts.new, counts.refused) == (0, 0)
        assert counts.known > 3000
    with Journal(tmp_path / "fresh", create=True) as fresh:
        import_folder(fresh, saved)
        export_folder(fresh, tmp_path / "again")
    for path in sorted(exported.iterdir()):
        if path.name not in ("struck.csv", "marks.csv"):
            assert len((tmp_path / "again" / path.name).read_text().splitlines()) == len(path.read_text().splitlines())
    about = [(tmp_path / name / "marks.csv").read_text().count("R-0355 2026") for name in ("exported", "again")]
    assert about == [1, 1]
    assert (tmp_path / "again" / "struck.csv").read_bytes() == (exported / "struck.csv").read_bytes()
