"""What somebody wrote into an exported folder is not lost: an export goes over it once the log has taken it in."""

from __future__ import annotations

from pathlib import Path

import pytest

from trimfit.base.errors import InputError
from trimfit.base.records import Reading, Reed
from trimfit.log.journal import Journal
from trimfit.log.sheets.folder_export import export_folder
from trimfit.log.sheets.folder_import import import_folder


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    with Journal(tmp_path / "log", create=True) as journal:
        journal.append(Reed("R-1", "moulded", "B-1"))
        journal.append(Reading("R-1", "2026-03-01T10:00+00:00", crow_hz=531.0))
        export_folder(journal, tmp_path / "shop")
        yield journal


def edit(file: Path) -> bytes:
    """The file with one more reading, of a crow of 540 Hz."""
    heads, *lines = file.read_bytes().splitlines(keepends=True)
    row = [b""] * len(heads.split(b","))
    row[:2], row[heads.strip().split(b",").index(b"crow_hz")] = [b"R-1", b"2026-03-02T10:00+00:00"], b"540"
    file.write_bytes(heads + b"".join(lines) + b",".join(row) + b"\n")
    return file.read_bytes()


def test_an_edit_is_refused_until_it_is_taken_in(journal: Journal, tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    file = shop / "readings.csv"
    edited = edit(file)
    journal.append(Reading("R-1", "2026-03-03T10:00+00:00", crow_hz=550.0))
    for _ in range(2):  # a refused export has not made it known either
        with pytest.raises(InputError, match="is not as an export wrote it") as refused:
            export_folder(journal, shop)
        assert refused.value.where == str(file)
        assert "trimfit import" in refused.value.remedy
        assert file.read_bytes() == edited
    import_folder(journal, shop)
    assert export_folder(journal, shop).new
    assert [line.split(b",")[3] for line in file.read_bytes().splitlines()[1:]] == [b"531", b"540", b"550"]
    assert export_folder(journal, shop).new == 0


def test_an_export_goes_over_what_an_export_wrote(journal: Journal, tmp_path: Path) -> None:
    journal.append(Reading("R-1", "2026-03-03T10:00+00:00", crow_hz=550.0))
    assert export_folder(journal, tmp_path / "shop").new == 2
    before = (tmp_path / "shop" / "readings.csv").read_bytes()
    journal.append(Reading("R-1", "2026-03-04T10:00+00:00", crow_hz=551.0))
    assert export_folder(journal, tmp_path / "shop").new == 3
    (tmp_path / "shop" / "readings.csv").write_bytes(before)  # as if the export had been killed half way
    assert export_folder(journal, tmp_path / "shop").new == 3


def test_what_another_log_took_in_is_not_in_this_one(journal: Journal, tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    edit(shop / "readings.csv")
    with Journal(tmp_path / "other", create=True) as other:
        import_folder(other, shop)
        with pytest.raises(InputError, match="this log has not taken it in"):
            export_folder(journal, shop)
        export_folder(other, shop)


def test_a_log_taken_back_to_a_backup_lacks_what_it_took_in_later(journal: Journal, tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    journal.back_up(tmp_path / "backup")
    edit(shop / "readings.csv")
    import_folder(journal, shop)
    with Journal(tmp_path / "backup") as backup, pytest.raises(InputError, match="is not as an export wrote it"):
        export_folder(backup, shop)


def test_force_and_the_same_bytes_go_through(journal: Journal, tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    (shop / ".trimfit-export").unlink()
    assert export_folder(journal, shop).new == 0
    edit(shop / "readings.csv")
    assert export_folder(journal, shop, force=True).new == 1
    assert export_folder(journal, shop).new == 0


def test_an_import_of_a_shops_own_folder_adds_no_file_to_it(journal: Journal, tmp_path: Path) -> None:
    own = tmp_path / "own"
    own.mkdir()
    (own / "reeds.csv").write_text("reed,reed_type,batch\nR-2,moulded,B-1\n")
    import_folder(journal, own)
    assert [path.name for path in own.iterdir()] == ["reeds.csv"]
    with pytest.raises(InputError, match="no export wrote this file"):
        export_folder(journal, own)
