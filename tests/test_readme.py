"""README and its longer pages are true: each block is run, and what it prints is what stands there.

`python -m tests.test_readme` writes blocks and figures anew. A page's blocks marked `console` are typed into a shell,
in order, in one folder; a line `…` stands for any number of lines. Numbers may differ by a last digit or by 4 %, ids
of entries by all. Figures that come from a report are taken from it: see reported_figures.py.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import shutil
import subprocess
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple
from unittest.mock import patch

import pytest
import typer
from typer.main import get_command

from tests import demo_made, reported_figures
from tests.cli.typed_words import call
from trimfit.base.pitch import DEFAULT_RATIOS, NOTES, RATIO_CHOICES
from trimfit.cli.app import app
from trimfit.cli.serve import DEFAULT_PORT
from trimfit.log.entry_kinds import KINDS

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
PAGES = ("README.md", "reports/walkthrough.md", "reports/details.md", "reports/model.md")
MOST_CHARACTERS = 16_000
MOST_IN_A_LIST = 61
"""Characters that a verb's first sentence may have in the narrowest list of verbs."""
FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.M | re.S)
# a sign belongs to a number after a blank or a bracket; digits of a name (R-0412) are no number
NUMBER = re.compile(r"(?:(?<=[ (])[+-])?(?<![A-Za-z]-)(?<![\w.])(?:\d+(?:,\d{3})+|\d+\.\d+|\d+)")
ENTRY = re.compile(r"\b(?:rea|tri|ree|ord|cha|out|str|set)-[a-z2-7]{16}\b")
ELISION = "…"
ALONE = re.compile(r"trimfit ([^|<>$;&\n]*?)(?: \| (head|tail) -n (\d+))?")
"""trimfit by itself, or some lines at one end of what it prints."""


class Step(NamedTuple):
    """One typed line of a block, and what the README says it prints."""

    command: str
    printed: str


def steps_of(block: str) -> list[Step]:
    """The typed lines (`$ …`, carried on after a backslash) and the lines printed after each."""
    steps: list[Step] = []
    for line in block.splitlines():
        if line.startswith("$ "):
            steps.append(Step(line[2:], ""))
        elif steps[-1].command.endswith("\\"):
            steps[-1] = Step(f"{steps[-1].command}\n{line}", "")
        else:
            steps[-1] = Step(steps[-1].command, f"{steps[-1].printed}{line}\n")
    return steps


class Shell:
    """Types lines in one folder; `export` lasts. The demo is copied from where it was made."""

    def __init__(self, folder: Path, demo: Path) -> None:
        self.folder, self.demo = folder, demo
        self.environment = demo_made.with_the_command(folder)

    def type(self, command: str) -> str:
        """What a line prints, both streams."""
        if command.startswith("export "):
            name, _, value = command.removeprefix("export ").partition("=")
            self.environment[name] = value.replace("$PWD", str(self.folder))
            return ""
        if command == "trimfit demo":
            shutil.copytree(self.demo / "trimfit-demo", self.folder / "trimfit-demo")
            said = (self.demo / "printed").read_text(encoding="utf-8")
        elif found := ALONE.fullmatch(command):  # in this process, which has loaded it
            words, which, count = found.groups()
            # what is learned is printed without a word of the policies
            policies = contextlib.nullcontext() if words == "learn" else demo_made.exactly_solved()
            with contextlib.chdir(self.folder), patch.dict(os.environ, self.environment, clear=True), policies:
                done = call(*shlex.split(words))
            lines = done.stdout.splitlines(keepends=True)
            shown = {"head": slice(int(count or 0)), "tail": slice(-int(count or 0), None), None: slice(None)}[which]
            said = "".join(lines[shown]) + done.stderr
        else:
            shell = ["bash", "-c", command]
            done = subprocess.run(
                shell, cwd=self.folder, env=self.environment, capture_output=True, text=True, timeout=300
            )
            said = done.stdout + done.stderr
        return "\n".join(line.rstrip() for line in said.splitlines())


def near(expected: str, found: str) -> bool:
    """Two numbers as printed: equal within one and a half units of the last digit shown, or 4 %."""
    unit = 10.0 ** -max(len(text.partition(".")[2]) for text in (expected, found))
    one, other = (float(text.replace(",", "")) for text in (expected, found))
    return abs(one - other) <= max(1.5 * unit, 0.04 * abs(one))


def same(expected: str, found: str) -> bool:
    """Whether the words are the same and the numbers near; wraps of lines may differ."""
    blank = [" ".join(ENTRY.sub("ENTRY", text).split()) for text in (expected, found)]
    if NUMBER.sub("0", blank[0]) != NUMBER.sub("0", blank[1]):
        return False
    return all(near(*pair) for pair in zip(*(NUMBER.findall(text) for text in blank), strict=True))


def differs(expected: str, found: str) -> str:
    """Empty if what was found is what the README prints, else both."""
    parts = re.split(rf"^{ELISION}\n", expected, flags=re.M)
    if len(parts) == 1:
        return "" if same(expected, found) else f"README:\n{expected}\nnow:\n{found}"
    lines = found.splitlines()
    for number, part in enumerate(parts):
        count = len(part.splitlines())
        starts = [0] if number == 0 else range(len(lines) - count + 1)
        at = next((i for i in starts if same(part, "\n".join(lines[i : i + count]))), None)
        if at is None or (number == len(parts) - 1 and count and at + count != len(lines)):
            return f"README:\n{expected}\nnow:\n{found}"
        lines = lines[at + count :]
    return ""


def blocks(kind: str, text: str) -> list[str]:
    """The fenced blocks of a kind, in order."""
    return [body for found, body in FENCE.findall(text) if found == kind]


def read(page: str) -> str:
    """A page's text."""
    return (ROOT / page).read_text(encoding="utf-8")


@pytest.mark.parametrize("page", [page for page in PAGES if blocks("console", read(page))])
def test_each_console_block_prints_what_the_page_shows(page: str, made_demo: Path, tmp_path: Path) -> None:
    shell = Shell(tmp_path, made_demo)
    steps = [step for block in blocks("console", read(page)) for step in steps_of(block)]
    assert sum(step.command.startswith("trimfit ") for step in steps) >= 10
    wrong = []
    for command, printed in steps:
        found = shell.type(command)
        if command.startswith("export "):
            assert not printed
        elif different := differs(printed, found):
            wrong.append(f"$ {command}\n{different}")
    assert not wrong, "\n\n".join(wrong) + "\n(python -m tests.test_readme writes them anew)"


@pytest.mark.parametrize("code", [code for page in PAGES for code in blocks("python", read(page))])
def test_each_python_block_runs(code: str, demo_log: Path, tmp_path: Path) -> None:
    (tmp_path / "trimfit-demo").mkdir()
    shutil.copy(demo_log, tmp_path / "trimfit-demo" / "demo.trimfit")
    with contextlib.chdir(tmp_path), contextlib.redirect_stdout(io.StringIO()) as said:
        exec(code, {"__name__": "__main__"})
    assert said.getvalue()


def test_the_readme_is_short() -> None:
    assert len(read("README.md")) <= MOST_CHARACTERS


def test_the_two_set_up_commands_come_first_each_alone_in_its_block() -> None:
    first, second = (block.strip() for block in blocks("sh", read("README.md"))[:2])
    assert "\n" not in first
    assert "\n" not in second
    assert first.startswith("python3 -m venv .venv && ")
    assert first.endswith(".venv/bin/trimfit demo")
    assert second.endswith(".venv/bin/python -m pytest -n auto")


def test_every_address_of_the_page_is_in_the_details() -> None:
    addresses = re.findall(r'Route\("(/[^"{]*)"', (ROOT / "trimfit" / "web" / "app.py").read_text(encoding="utf-8"))
    told = (ROOT / "reports" / "details.md").read_text(encoding="utf-8")
    assert len(addresses) > 20
    assert not [address for address in addresses if f"`{address}`" not in told]


def _verbs(group: typer.core.TyperGroup, before: str = "") -> list[tuple[str, object]]:
    found: list[tuple[str, object]] = []
    for name, verb in sorted(group.commands.items()):
        words = f"{before} {name}".strip()
        found += _verbs(verb, words) if hasattr(verb, "commands") else [(words, verb)]
    return found


VERBS = _verbs(get_command(app))  # type: ignore[arg-type]


@pytest.mark.parametrize(("words", "verb"), VERBS, ids=[words for words, _ in VERBS])
def test_each_verb_is_in_the_readme_and_has_help_with_an_example_and_json(words: str, verb: object) -> None:
    assert re.search(rf"trimfit (--log \S+ )?{words}\b", README.read_text(encoding="utf-8"))
    help_text = str(getattr(verb, "help", ""))
    assert len(help_text.split("\n")[0]) > 20
    assert not verb.get_short_help_str(MOST_IN_A_LIST).endswith("...")  # type: ignore[attr-defined]
    assert f"Example: trimfit {words}" in help_text
    if words != "serve":  # each of its pages answers as JSON to whoever asks for that
        assert any("--json" in option.opts for option in verb.params)  # type: ignore[attr-defined]


def test_the_table_of_csv_columns_is_what_an_import_takes() -> None:
    table = re.findall(r"^\| `(\w+\.csv)` \| (.*?) · (.*?) \|$", read("README.md"), re.M)
    ours = {kind.file: kind.columns for kind in KINDS.values() if kind.name not in ("setting", "strike", "mark")}
    assert {file for file, _, _ in table} == set(ours)
    for file, needed, optional in table:
        assert needed.split(" (")[0].split(", ") == [one.name for one in ours[file] if one.required]
        spanned = re.sub(r"`low_g_hz` … `high_a_hz`", ", ".join(f"{note}_hz" for note in NOTES), optional)
        said = re.sub(r"\([^)]*\)", "", spanned).partition(";")[0].replace("`", "")
        assert set(re.split(r"\s*,\s*|\s+and\s+", said.strip())) == {one.name for one in ours[file] if not one.required}


def test_the_ratios_are_those_that_are_used() -> None:
    text = " ".join(read("README.md").split())
    names, ratios = re.findall(r"Notes are `([^`]*)`; their just ratios to low A are ([^.]*)\.", text)[0]
    assert dict(zip(names.split(), map(Fraction, ratios.split(",")), strict=True)) == DEFAULT_RATIOS
    others = re.findall(r"Low G may be (\S+), D (\S+), high G (\S+) or (\S+) \(`trimfit settings`\)", text)[0]
    choices = [one for note in ("low_g", "d", "high_g") for one in RATIO_CHOICES[note] if one != DEFAULT_RATIOS[note]]
    assert sorted(map(Fraction, others)) == sorted(choices)


def test_the_oldest_python_is_the_one_that_an_installation_asks_for() -> None:
    wanted = tomllib.loads(read("pyproject.toml"))["project"]["requires-python"].removeprefix(">=")
    assert re.findall(r"[Ww]ith Python (\d\.\d+)", read("README.md")) == [wanted, wanted]


def test_the_moment_of_the_answers_is_the_one_that_is_said(tmp_path: Path) -> None:
    now = demo_made.with_the_command(tmp_path)["TRIMFIT_NOW"]
    assert re.findall(r"\(`--at (\S+)` gives these", read("README.md")) == [now]


def test_the_page_is_served_where_it_is_said_to_be() -> None:
    assert re.findall(r"`http://127\.0\.0\.1:(\d+)/`", read("README.md")) == [str(DEFAULT_PORT)]


@pytest.mark.parametrize("page", PAGES)
def test_all_that_a_page_links_to_is_there(page: str) -> None:
    links = re.findall(r"\]\(([^)#]+)\)", read(page))
    assert [link for link in links if not (ROOT / page).parent.joinpath(link).exists()] == []


@pytest.mark.parametrize("page", PAGES)
def test_each_figure_of_a_report_is_the_one_that_stands_in_the_report(page: str) -> None:
    assert reported_figures.written_anew(page, read(page)) == read(page)
    assert reported_figures.uncited(page, read(page)) == []


def test_a_figure_that_no_report_has_is_seen() -> None:
    claim = reported_figures.claims()["README.md"][1]
    wrong = read("README.md").replace(claim, claim.replace("(", "(1", 1))
    assert reported_figures.written_anew("README.md", wrong) == read("README.md") != wrong
    assert reported_figures.uncited("README.md", "Half, 50 %, as [measured](reports/playing.md).\n")


def test_near_and_same_can_tell() -> None:
    assert near("471.2", "471.3")
    assert not near("0.05", "0.08")
    assert same("take off 0.15 mm\n  now", "take off 0.16 mm now")
    assert not same("take off 0.15 mm", "take off 0.25 mm")
    assert not same("finished", "past")
    assert same("R-0339  finished  +0", "R-0339  finished  -0")
    assert not same("R-0339  finished", "R-0338  finished")
    assert not same("F (-2.0 to +1.1)", "F (-2.0 to -1.1)")
    assert not differs("a 1\n…\nc 3\n", "a 1\nb 2\nb 2\nc 3")
    assert differs("a 1\n…\nc 3\n", "a 1\nb 2\nc 9")
    assert differs("a 1\n", "a 1\nb 2")


def _written_anew(page: str, folder: Path, demo: Path) -> str:
    """The page with every console block's output as it prints now; what stood between elisions stays as short."""
    shell = Shell(folder, demo)

    def block(found: re.Match[str]) -> str:
        if found.group(1) != "console":
            return found.group(0)
        lines = ["```console"]
        for command, printed in steps_of(found.group(2)):
            lines.append(f"$ {command}")
            said = shell.type(command).splitlines()
            if f"{ELISION}\n" in printed:
                said = _shortened(said, [part.splitlines() for part in printed.split(f"{ELISION}\n")])
            lines += said
        return "\n".join([*lines, "```"])

    return FENCE.sub(block, page)


def _shortened(lines: list[str], parts: list[list[str]]) -> list[str]:
    """The first and last lines as long as they were shown; between, the lines that open as those shown did."""
    head, *middle, tail = parts
    kept = [*lines[: len(head)], ELISION]
    for part in middle:
        start = next(i for i, line in enumerate(lines) if line.split()[:2] == part[0].split()[:2])
        kept += [*lines[start : start + len(part)], ELISION]
    return kept + (lines[-len(tail) :] if tail else [])


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as name:
        made = Path(name) / "made"
        made.mkdir()
        demo_made.typed(made)
        for page in PAGES:
            folder = Path(name) / Path(page).stem
            folder.mkdir()
            text = _written_anew(read(page), folder, made)
            (ROOT / page).write_text(reported_figures.written_anew(page, text), encoding="utf-8")
