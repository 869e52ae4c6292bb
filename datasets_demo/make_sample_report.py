"""Make the sample report under reports/sample: `python datasets_demo/make_sample_report.py [FOLDER]`.

The demo shop is invented. The log is made anew in a temporary folder, learned, and reported as of the day after the
last reading in it: same shop, same bytes.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from pathlib import Path

os.environ.setdefault("TRIMFIT_NOW", "2026-09-18T17:00")
HERE = Path(__file__).resolve().parent


def main(folder: Path) -> None:
    """Write the sample report into `folder`, in place of the pictures that were there."""
    from trimfit.log.journal import Journal
    from trimfit.log.sheets.folder_import import import_folder
    from trimfit.session.session import Session
    from trimfit.verbs.learn import learn
    from trimfit.verbs.reviews.report import write_report

    shutil.rmtree(folder / "pictures", ignore_errors=True)
    with tempfile.TemporaryDirectory() as place:
        log = Path(place) / "demo.trimfit"
        with Journal(log, create=True) as journal:
            import_folder(journal, HERE / "shop")
        with Session(log) as session:
            learn(session)
            paths = write_report(session, folder)
    size = sum(path.stat().st_size for path in paths)
    print(f"{paths[0]}: {len(paths) - 1} picture files, {size / 1e6:.2f} MB in all")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE.parent / "reports" / "sample")
