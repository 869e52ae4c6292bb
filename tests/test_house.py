"""The house itself: who may import whom, what loads when, no unfinished places, every public function explained."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

import trimfit

HOUSE = Path(__file__).parents[1]
PACKAGE = HOUSE / "trimfit"
BASE = {"errors", "units", "pitch", "acoustics", "records", "answers"}
# Room or file: what of ours it may import. A dotted name is one file of a room; see DEVELOPERS.md.
OURS: dict[str, set[str]] = {
    "errors": set(),
    "units": {"errors"},
    "pitch": {"errors"},
    "acoustics": {"errors"},
    "records": set(),
    "answers": {"records", "units"},
    "bench": BASE,
    "learn": BASE,
    "plan": BASE | {"learn.curve", "learn.predict"},
    "review": BASE | {"learn.predict", "plan.choose"},
    "desk": BASE | {"bench", "learn", "plan", "review", "__version__"},
    "cli": BASE | {"desk", "__version__"},
    "__main__": {"cli"},
    "__init__": BASE | {"desk.notebook", "learn.response"},
}
# Room: third party at the top of a file, and inside functions.
THEIRS: dict[str, tuple[set[str], set[str]]] = {
    "bench": (set(), {"pandas"}),
    "learn": ({"numpy"}, {"pandas", "scipy", "statsmodels", "sklearn"}),
    "plan": ({"numpy"}, {"scipy"}),
    "review": ({"numpy"}, {"pandas", "scipy"}),
    "desk": (set(), {"numpy", "pandas", "scipy"}),
    "cli": ({"typer"}, set()),
}
# Single files that may more at their top: the estimator, the pictures, the one file of the desk that is all beliefs.
THEIRS_ALSO = {"learn.response": {"sklearn"}, "review.figures": {"matplotlib"}, "desk.beliefs": {"numpy"}}
DESK_AT_THE_TOP = BASE | {"review.findings"}


class Import(NamedTuple):
    """One import: from which file (`room.file`), what, and whether at the top, in a function, or for types only."""

    file: str
    name: str
    where: str


def _module(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts)


def _imports(path: Path) -> Iterator[Import]:
    def walk(node: ast.AST, where: str) -> Iterator[Import]:
        for child in ast.iter_child_nodes(node):
            here = where
            if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
                here = "types"
            elif isinstance(child, (ast.FunctionDef, ast.AsyncFunctionDef)):
                here = "function"
            if isinstance(child, ast.Import):
                yield from (Import(_module(path), alias.name, here) for alias in child.names)
            elif isinstance(child, ast.ImportFrom):
                assert child.level == 0, f"{path}: a relative import"
                module = child.module or ""
                # `from trimfit.desk import advise` is an import of trimfit.desk.advise
                if (PACKAGE.parent / module.replace(".", "/")).is_dir():
                    yield from (Import(_module(path), f"{module}.{alias.name}", here) for alias in child.names)
                else:
                    yield Import(_module(path), module, here)
            yield from walk(child, here)

    yield from walk(ast.parse(path.read_text(encoding="utf-8")), "top")


EVERY_IMPORT = [found for path in sorted(PACKAGE.rglob("*.py")) for found in _imports(path)]


def _allowed(name: str, allowed: set[str]) -> bool:
    first, _, rest = name.partition(".")
    return first in allowed or f"{first}.{rest.partition('.')[0]}" in allowed


def test_rooms_import_only_what_the_table_allows() -> None:
    wrong = []
    for file, name, where in EVERY_IMPORT:
        if not name.startswith("trimfit."):
            continue
        room, wanted = file.partition(".")[0], name.removeprefix("trimfit.")
        if not (wanted.partition(".")[0] == room or _allowed(wanted, OURS[room])):
            wrong.append(f"{file}: {name} ({where})")
    assert not wrong


def test_the_table_is_no_wider_than_the_house() -> None:
    """What the table allows and nobody uses would let a slip pass unseen."""
    used = {
        (file.partition(".")[0], name.removeprefix("trimfit."))
        for file, name, _ in EVERY_IMPORT
        if name.startswith("trimfit.")
    }
    for room in ("plan", "desk", "cli", "__main__", "__init__"):
        for allowed in OURS[room] - BASE - {"__version__"}:
            assert any(r == room and _allowed(name, {allowed}) for r, name in used), (room, allowed)


def test_other_libraries_stay_in_their_rooms_and_the_heavy_ones_in_functions() -> None:
    wrong = []
    for file, name, where in EVERY_IMPORT:
        library = name.partition(".")[0]
        if library in sys.stdlib_module_names or library == "trimfit" or where == "types":
            continue
        top, inside = THEIRS.get(file.partition(".")[0], (set(), set()))
        allowed = top | THEIRS_ALSO.get(file, set()) | (inside if where == "function" else set())
        if library not in allowed:
            wrong.append(f"{file}: {library} ({where})")
    assert not wrong


def test_the_desk_opens_rooms_inside_its_functions() -> None:
    wrong = [
        f"{file}: {name}"
        for file, name, where in EVERY_IMPORT
        if file.startswith("desk.") and file != "desk.beliefs" and where == "top" and name.startswith("trimfit.")
        if not (name.startswith("trimfit.desk.") or _allowed(name.removeprefix("trimfit."), DESK_AT_THE_TOP))
    ]
    assert not wrong


def _loaded(code: str) -> set[str]:
    """The modules that a fresh process has loaded after `code`."""
    ask = f"{code}\nimport sys\nsys.stderr.write(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", ask], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


def test_the_command_line_loads_without_numpy() -> None:
    loaded = _loaded("import trimfit.cli.app")
    assert "typer" in loaded
    assert not loaded & {"numpy", "pandas", "scipy", "statsmodels", "sklearn", "matplotlib"}
    # what a page of help does not need: no values, no pitches, no log
    assert not loaded & {"trimfit.records", "trimfit.answers", "trimfit.pitch", "trimfit.units", "sqlite3", "csv"}


def test_a_log_entry_loads_neither_numpy_nor_the_command_line(demo_log: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.trimfit"
    copy.write_bytes(demo_log.read_bytes())
    loaded = _loaded(
        f"import sys; sys.argv = ['trimfit', '--log', {str(copy)!r}, 'log', 'trim', 'R-0355', '--length', '0.1']\n"
        "from trimfit.__main__ import main\ntry:\n    main()\nexcept SystemExit as end:\n    assert end.code == 0"
    )
    assert "sqlite3" in loaded
    assert not loaded & {"numpy", "typer", "pandas"}
    # of the house, what keeps one entry and no more; of the standard library, what that needs
    assert not loaded & {"trimfit.answers", "trimfit.cli.app", "trimfit.bench.counts", "trimfit.desk.advise"}
    assert not loaded & {"base64", "csv", "difflib", "statistics", "subprocess", "tempfile"}


@pytest.mark.parametrize("words", [["ask", "R-0355"], ["ask", "--all"], ["predict", "R-0355", "--length", "0.1"]])
def test_answers_from_a_learned_log_load_no_heavy_library(demo_log: Path, words: list[str]) -> None:
    loaded = _loaded(
        f"import sys; sys.argv = ['trimfit', '--log', {str(demo_log)!r}, *{words!r}]\n"
        "from trimfit.__main__ import main\ntry:\n    main()\nexcept SystemExit as end:\n    assert not end.code"
    )
    assert "numpy" in loaded
    assert not loaded & {"pandas", "scipy", "statsmodels", "sklearn", "matplotlib"}


def _texts() -> Iterator[tuple[Path, str]]:
    for top in ("trimfit", "tests", "datasets_demo", ".ci"):
        for path in sorted((HOUSE / top).rglob("*")):
            if path.is_file() and path.suffix in {".py", ".md", ".toml", ""} and "__pycache__" not in path.parts:
                yield path, path.read_text(encoding="utf-8")
    for name in ("README.md", "DEVELOPERS.md", "pyproject.toml"):
        yield HOUSE / name, (HOUSE / name).read_text(encoding="utf-8")


def test_nothing_unfinished_and_no_path_of_one_machine() -> None:
    # spelled in pieces, so that this file does not find itself
    unfinished = re.compile("|".join(["TO" + "DO", "FIX" + "ME", "XX" + "X", "NotImplemented" + "Error"]))
    machine = re.compile(
        r"(^|[^A-Za-z0-9._])/(" + "|".join(["wo" + "rk", "ro" + "ot", "tm" + "p", "fa" + "rm"]) + ")/[a-z]", re.M
    )
    hollow = re.compile(r"^\s*assert " + r"True\b|pytest\.sk" + r"ip\(|@pytest\.mark\.(sk" + r"ip|xf" + r"ail)", re.M)
    wrong = [
        f"{path.relative_to(HOUSE)}: {found.group(0).strip()}"
        for path, text in _texts()
        for pattern in (unfinished, machine, hollow)
        if pattern is not unfinished or PACKAGE in path.parents
        if (found := pattern.search(text))
    ]
    assert not wrong


def test_only_the_command_line_prints() -> None:
    wrong = [
        f"{_module(path)}:{node.lineno}"
        for path in sorted(PACKAGE.rglob("*.py"))
        if "cli" not in path.parts
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]
    assert not wrong


def test_every_public_name_is_explained() -> None:
    wrong = []
    for path in sorted(PACKAGE.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        assert ast.get_docstring(tree), path
        nodes = [(node, "") for node in tree.body]
        nodes += [
            (inner, f"{node.name}.") for node in tree.body if isinstance(node, ast.ClassDef) for inner in node.body
        ]
        for node, home in nodes:
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not (node.name + home).startswith("_"):
                if not (ast.get_docstring(node) or home.startswith("_")):
                    wrong.append(f"{_module(path)}: {home}{node.name}")
    assert not wrong


def test_the_top_level_holds_only_what_it_may() -> None:
    seen = {path.name for path in HOUSE.iterdir() if not path.name.startswith(".")}
    built = {"build", "dist", "trimfit.egg-info", "trimfit-demo"}
    assert seen - built == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "trimfit",
        "datasets_demo",
        "tests",
        "reports",
    }


def test_the_version_is_said_once_and_the_same_twice() -> None:
    with (HOUSE / "pyproject.toml").open("rb") as file:
        assert tomllib.load(file)["project"]["version"] == trimfit.__version__


def test_each_file_that_the_developers_page_names_is_there() -> None:
    named = re.findall(r"`([\w./]+/[\w.]+\.(?:py|md|toml))`", (HOUSE / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert len(named) > 20
    assert [name for name in named if not ((HOUSE / name).exists() or (PACKAGE / name).exists())] == []


def test_the_map_of_the_house_names_each_file_of_each_room() -> None:
    house = (HOUSE / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## The house")[2].partition("## ")[0]
    unnamed = [
        _module(path)
        for path in sorted(PACKAGE.rglob("*.py"))
        if path.stem != "__init__" and "cli" not in path.parts and not re.search(rf"\b{path.stem}\b", house)
    ]
    assert not unnamed
