"""Where the invented demo shop's CSV files are."""

from __future__ import annotations

from pathlib import Path

from trimfit.base.errors import TrimfitError


def demo_shop() -> Path:
    """The folder with the demo shop's CSV files: installed with the package, else in the clone the package runs from.

    Raises TrimfitError if it is in neither.
    """
    here = Path(__file__).resolve().parent.parent
    places = [here / "demo_shop", here.parent / "datasets_demo" / "shop"]
    for place in places:
        if (place / "reeds.csv").is_file():
            return place
    raise TrimfitError(
        "the demo shop's files were not installed", "demo", "install trimfit again, or import a folder of your own"
    )
