"""`demo`: everything on the invented shop, and no folder harmed that is not its own."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import trimfit
from tests.cli.typed_words import Typed
from trimfit.base.errors import InputError, TrimfitError
from trimfit.cli.demo import _how_called
from trimfit.session import demo_shop
from trimfit.verbs import ask, demo, learn
from trimfit.verbs.reviews import batches, report


def run(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """`trimfit demo …` in a process of its own."""
    return subprocess.run([sys.executable, "-m", "trimfit", "demo", *words], cwd=folder, capture_output=True, text=True)


def quick(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Replace what takes long; the log and the folder stay real. Returns what was called, as it goes."""
    called: list[str] = []

    def note(name: str, answer: object) -> object:
        return lambda *_, **__: called.append(name) or answer

    def write(log: Path, folder: Path, *_: object, **__: object) -> list[Path]:
        folder.mkdir()
        (folder / "index.html").write_text("page")
        return [folder / "index.html"]

    monkeypatch.setattr(learn, "learn", note("learn", None))
    monkeypatch.setattr(ask, "ask_all", note("ask", []))
    monkeypatch.setattr(batches, "batches", note("review", []))
    monkeypatch.setattr(report, "write_report", write)
    return called


def test_all_of_it_as_json(made_demo: Path) -> None:
    found = json.loads((made_demo / "answered").read_text(encoding="utf-8"))
    assert (found["new"], found["known"], found["refused"]) == (3529, 0, 0)
    assert sorted(batch["batch"] for batch in found["drifted"]) == ["B-12", "B-17"]
    assert all(batch["chance_drifted"] > 0.9 and batch["why"] for batch in found["drifted"])
    assert len(found["work"]) == 29
    assert {row["action"] for row in found["work"]} >= {"trim", "read-again", "past"}
    assert found["ask"] in found["work"]
    assert found["ask"]["action"] == "trim"
    for key in ("log", "page"):
        assert (made_demo / found[key]).is_file()


def test_the_report_it_makes_says_that_the_shop_is_invented(made_demo: Path) -> None:
    report = made_demo / "trimfit-demo" / "report"
    pictures = len(list((report / "pictures").iterdir()))
    assert pictures > 20
    assert f"with {pictures} picture files beside it" in (made_demo / "printed").read_text(encoding="utf-8")
    assert "The demo shop (invented)" in (report / "index.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("what", ["a folder of mine", "a file"])
def test_what_is_there_already_is_left_alone(tmp_path: Path, what: str) -> None:
    mine = tmp_path / "trimfit-demo"
    if what == "a file":
        mine.write_text("mine")
    else:
        mine.mkdir()
        (mine / "demo.trimfit").write_text("mine")
    done = run(tmp_path)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "trimfit-demo: is " in done.stderr
    left = mine if what == "a file" else mine / "demo.trimfit"
    assert left.read_text() == "mine"
    assert [path.name for path in tmp_path.iterdir()] == ["trimfit-demo"]


def test_its_own_folder_is_made_anew_and_what_others_put_there_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    called = quick(monkeypatch)
    folder = tmp_path / "deep" / "shown"
    first = Typed(tmp_path / "none").json("demo", str(folder))
    assert called == ["learn", "ask", "review"]
    assert first["new"] == 3529
    assert [first[key] for key in ("folder", "log", "page")] == [
        str(path) for path in (folder, folder / "demo.trimfit", folder / "report" / "index.html")
    ]
    (folder / "mine.txt").write_text("mine")
    (folder / "report" / "old.png").write_text("old")
    again = demo.make(folder, lambda *_: None)
    assert again.taken.counts.new == 3529  # a fresh log, not the old one with nothing new
    assert (folder / "mine.txt").read_text() == "mine"
    assert not (folder / "report" / "old.png").exists()
    assert again.drifted == ()
    assert again.asked is None


def test_what_answers_as_of_today_is_typed_with_the_shop_s_day(made_demo: Path) -> None:
    printed = (made_demo / "printed").read_text(encoding="utf-8")
    hints = printed.partition("What to type next\n")[2].splitlines()
    assert [("2026-09-17" in line, line.split()[-1]) for line in hints[2:4]] == [(True, "bench"), (True, "serve")]
    assert all(line.startswith("  TRIMFIT_NOW=2026-09-17T23:59 ") for line in hints[2:4])
    assert max(map(len, hints)) <= 80 + len(str(made_demo))


@pytest.mark.parametrize("python_elsewhere", [False, True])
def test_what_it_says_to_type_next_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, python_elsewhere: bool
) -> None:
    """Called as `.venv/bin/python -m trimfit demo` it said `python -m trimfit`, which was another Python or none."""
    if python_elsewhere:
        other = tmp_path / Path(sys.executable).name
        other.write_text("#!/bin/sh\nexit 1\n")
        other.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(sys, "argv", [str(Path(trimfit.__file__).with_name("__main__.py")), "demo"])
    for folder in (tmp_path, Path(sys.executable).parents[1]):
        monkeypatch.chdir(folder)
        done = subprocess.run(f"{_how_called()} --version", shell=True, capture_output=True, text=True)
        assert done.stdout == f"trimfit {trimfit.__version__}\n", done.stderr


def test_an_empty_folder_will_do_and_a_folder_that_cannot_be_written_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    quick(monkeypatch)
    empty = tmp_path / "empty"
    empty.mkdir()
    assert demo.make(empty, lambda *_: None).log.is_file()
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="file: is a file, not a folder; name a folder you may write to"):
        demo.make(tmp_path / "file" / "below", lambda *_: None)


def test_the_shop_is_found_with_the_package_or_in_the_clone_and_missed_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = demo_shop.demo_shop()
    assert {path.name for path in shop.glob("*.csv")} >= {"reeds.csv", "readings.csv", "trims.csv"}
    inside = tmp_path / "place" / "trimfit"
    (inside / "session").mkdir(parents=True)
    monkeypatch.setattr(demo_shop, "__file__", str(inside / "session" / "demo_shop.py"))
    with pytest.raises(TrimfitError, match="were not installed"):
        demo_shop.demo_shop()
    shutil.copytree(shop, inside / "demo_shop")
    assert demo_shop.demo_shop() == inside / "demo_shop"
