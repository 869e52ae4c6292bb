"""A report replaces what a report wrote, and nothing else."""

from __future__ import annotations

from pathlib import Path

import pytest

from trimfit.base.errors import InputError
from trimfit.review.page.build import refuse_foreign


def test_a_page_that_no_report_wrote_is_left(tmp_path: Path) -> None:
    refuse_foreign(tmp_path)
    (tmp_path / "index.html").write_text("<h1>The shop</h1>")
    with pytest.raises(InputError, match="no report wrote this"):
        refuse_foreign(tmp_path)
    (tmp_path / "index.html").write_text('<body>\n<a class="skip" href="#main">To the findings</a>')
    refuse_foreign(tmp_path)


@pytest.mark.parametrize("name", ["index.html", "pictures"])
def test_a_link_is_not_written_through(tmp_path: Path, name: str) -> None:
    folder, elsewhere = tmp_path / "report", tmp_path / "elsewhere"
    folder.mkdir()
    elsewhere.mkdir()
    (folder / name).symlink_to(elsewhere)
    with pytest.raises(InputError, match="is a link"):
        refuse_foreign(folder)


def test_pictures_without_a_page_are_not_ours(tmp_path: Path) -> None:
    (tmp_path / "pictures").mkdir()
    refuse_foreign(tmp_path)
    (tmp_path / "pictures" / "mine.png").write_bytes(b"")
    with pytest.raises(InputError, match="no report lies"):
        refuse_foreign(tmp_path)
