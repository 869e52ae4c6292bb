"""The package itself: who may import whom, what loads when, no unfinished places, every public function explained."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest

import trimfit

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "trimfit"
# Part: the other parts that it may import, a dotted name for one module of a part. Within a part anything goes, but for
# the last two tables and for circles, which are forbidden everywhere. See DEVELOPERS.md.
PARTS: dict[str, set[str]] = {
    "base": set(),
    "log": {"base"},
    "entry": {"base", "log"},
    "regression": {"base"},
    "planner": {"base", "regression.curve", "regression.outputs", "regression.posterior.reed"},
    "review": {
        "base",
        "regression.coefficients",
        "regression.movement.coefficients",
        "regression.movement.process",
        "regression.second_opinion",
    },
    "session": {"base", "log", "entry", "regression", "planner"},
    "verbs": {"base", "log", "entry", "regression", "planner", "review", "session"},
    "python_api": {"base", "log", "regression.fitted_model", "review.results", "session", "verbs"},
    "cli": {"base", "review.results", "session.session", "verbs", "web", "__version__"},
    "web": {"base", "entry", "log.entry_kinds", "log.sent_forms", "review.results", "session", "verbs", "cli"},
    "__main__": {"cli"},
    "__init__": {
        *("base", "python_api", "log.entry_counts", "regression.estimator", "regression.fitted_model"),
        "verbs.allot",
        "verbs.rehearse",
    },
}
# Modules that see less of their own part than all of it.
WITHIN: dict[str, set[str]] = {
    "base.errors": set(),
    "base.records": set(),
    "base.natural_order": {"base.errors"},
    "base.normal": {"base.pitch", "base.units"},
    "base.progress": set(),
    "base.column_words": {"base.pitch"},
    "base.units": {"base.errors"},
    "base.pitch": {"base.errors"},
    "base.acoustics": {"base.errors"},
    "base.time_zones": {"base.errors"},
    "base.iso_dates": {"base.errors", "base.time_zones"},
    "base.answers": {"base.records", "base.units"},
}
# The engine knows groups and matrices, and no reeds.
ENGINE, ENGINE_SEES = "regression.reml", {"regression.reml", "base.errors"}
# Part: third party at the top of a module, and inside functions.
LIBRARIES: dict[str, tuple[set[str], set[str]]] = {
    "entry": (set(), {"numpy", "pandas"}),
    "regression": ({"numpy"}, {"pandas", "scipy", "statsmodels"}),
    "planner": ({"numpy"}, {"scipy"}),
    "review": ({"numpy"}, {"pandas", "scipy", "statsmodels", "jinja2", "markupsafe"}),
    "session": (set(), {"numpy", "pandas", "threadpoolctl"}),
    "verbs": ({"numpy"}, {"pandas", "scipy"}),
    "python_api": (set(), {"pandas"}),
    "cli": ({"typer"}, set()),
    "web": ({"starlette", "uvicorn", "jinja2", "markupsafe", "segno"}, set()),
}
# Single modules that may more at their top: the estimator, the pictures' style, those that are all posteriors.
LIBRARIES_ALSO = {
    "regression.estimator": {"sklearn"},
    "review.pictures.style": {"matplotlib"},
    "session.open_log": {"numpy"},
    "session.chanters_at_hand": {"numpy"},
    "session.evidence": {"numpy"},
    "session.expected_reading": {"numpy"},
    "session.own_lines": {"numpy"},
    "session.policies": {"numpy"},
}
WEB = {"starlette", "uvicorn", "jinja2", "segno"}
# What a quick start goes through, and what that may import at its top: the rest waits inside functions.
LAZY = (
    "session.session", "session.fit", "session.order_progress", "session.demo_shop",
    "verbs.log", "verbs.corrections", "verbs.import_export", "verbs.wording",
)  # fmt: skip
LAZY_TOP = {"base", "session", "verbs", "review.results"}
MOST_SIDE_BY_SIDE = 13
"""Modules in one folder."""
# Folders of tests that mirror no folder of the package.
OTHER_TESTS = {"outside", "worlds", "fuzz", "speed"}


class Import(NamedTuple):
    """One import: from which module, what, and whether at the top, in a function, or for types only."""

    module: str
    name: str
    where: str


def _module(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts)


def _imports(path: Path) -> Iterator[Import]:
    def walk(node: ast.AST, where: str) -> Iterator[Import]:
        for child in ast.iter_child_nodes(node):
            here = where
            if isinstance(child, ast.expr):  # nothing is imported inside one
                continue
            if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
                here = "types"
            elif isinstance(child, (ast.FunctionDef, ast.AsyncFunctionDef)):
                here = "function"
            if isinstance(child, ast.Import):
                yield from (Import(_module(path), alias.name, here) for alias in child.names)
            elif isinstance(child, ast.ImportFrom):
                assert child.level == 0, f"{path}: a relative import"
                module = child.module or ""
                # `from trimfit.verbs import ask` is an import of trimfit.verbs.ask
                if (ROOT / module.replace(".", "/")).is_dir():
                    yield from (Import(_module(path), f"{module}.{alias.name}", here) for alias in child.names)
                else:
                    yield Import(_module(path), module, here)
            yield from walk(child, here)

    yield from walk(ast.parse(path.read_text(encoding="utf-8")), "top")


@cache
def every_import() -> list[Import]:
    """All imports of the package."""
    return [found for path in sorted(PACKAGE.rglob("*.py")) for found in _imports(path)]


def ours() -> list[Import]:
    """Those of the package's own modules, without its name."""
    return [
        Import(module, name.removeprefix("trimfit."), where)
        for module, name, where in every_import()
        if name.startswith("trimfit.")
    ]


def _part(module: str) -> str:
    return module.partition(".")[0]


def _allowed(module: str, allowed: set[str]) -> bool:
    """Whether the module, or anything that it lies in, is among the allowed."""
    parts = module.split(".")
    return any(".".join(parts[:n]) in allowed for n in range(1, len(parts) + 1))


def test_parts_import_only_what_the_table_allows() -> None:
    wrong = [
        f"{module}: {name} ({where})"
        for module, name, where in ours()
        if not (_part(name) == _part(module) or _allowed(name, PARTS[_part(module)]))
        or (module in WITHIN and not _allowed(name, WITHIN[module]))
        or (module.startswith(ENGINE) and not _allowed(name, ENGINE_SEES))
    ]
    assert not wrong


def test_the_table_is_no_wider_than_the_package() -> None:
    """What the table allows and nobody uses would let a slip pass unseen."""
    used = {(_part(module), name) for module, name, _ in ours()}
    unused = [
        (part, allowed)
        for part, names in PARTS.items()
        for allowed in names
        if not any(p == part and _allowed(name, {allowed}) for p, name in used)
    ]
    assert not unused


def test_no_modules_import_each_other_in_a_circle() -> None:
    """Imports inside functions and for types count too."""
    modules = {_module(path).removesuffix(".__init__") for path in PACKAGE.rglob("*.py")}
    imports: dict[str, set[str]] = defaultdict(set)
    for module, name, _ in ours():
        known = name if name in modules else name.rpartition(".")[0]
        if known in modules and known != module:
            imports[module].add(known)
    open_, done, circles = [], set(), []

    def follow(module: str) -> None:
        if module in open_:
            circles.append(" -> ".join([*open_[open_.index(module) :], module]))
        elif module not in done:
            open_.append(module)
            for name in sorted(imports[module]):
                follow(name)
            done.add(open_.pop())

    for module in sorted(modules):
        follow(module)
    assert not circles


def test_other_libraries_stay_in_their_parts_and_the_heavy_ones_in_functions() -> None:
    wrong = []
    for module, name, where in every_import():
        library = name.partition(".")[0]
        if library in sys.stdlib_module_names or library == "trimfit" or where == "types":
            continue
        top, inside = LIBRARIES.get(_part(module), (set(), set()))
        allowed = top | LIBRARIES_ALSO.get(module, set()) | (inside if where == "function" else set())
        if library not in allowed:
            wrong.append(f"{module}: {library} ({where})")
    assert not wrong


def test_the_table_of_libraries_is_no_wider_than_the_package() -> None:
    used = {(m, name.partition(".")[0], where == "function") for m, name, where in every_import() if where != "types"}
    unused = [
        (part, library)
        for part, (top, inside) in LIBRARIES.items()
        for library, in_function in [*((one, False) for one in top), *((one, True) for one in inside)]
        if not any(_part(m) == part and (lib, deep) == (library, in_function) for m, lib, deep in used)
    ]
    unused += [(m, lib) for m, libs in LIBRARIES_ALSO.items() for lib in libs if (m, lib, False) not in used]
    assert not unused


def test_the_table_for_developers_is_this_one() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.findall(
        r"^\| `?(\w+)`? \|(.*?)\|(.*?)\|(.*?)\|$", text.partition("| part |")[2].partition("\n\n")[0], re.M
    )
    told = {
        part: [{one.strip(" `") for one in cell.split(",") if one.strip()} for cell in cells] for part, *cells in rows
    }
    also = {
        part: {
            f"{lib} ({m.partition('.')[2]})" for m, libs in LIBRARIES_ALSO.items() if _part(m) == part for lib in libs
        }
        for part in PARTS
    }
    libraries = {part: LIBRARIES.get(part, (set(), set())) for part in PARTS}
    assert told == {part: [PARTS[part], libraries[part][0] | also[part], libraries[part][1]] for part in PARTS}


def test_what_a_quick_start_goes_through_imports_other_parts_inside_its_functions() -> None:
    wrong = [
        f"{module}: {name}"
        for module, name, where in ours()
        if module.startswith(LAZY) and module not in LIBRARIES_ALSO and where == "top"
        if not _allowed(name, LAZY_TOP)
    ]
    assert not wrong


def test_what_the_map_for_developers_names_is_there() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    parts = "|".join(["trimfit", "tests", "reports", "datasets_demo", *PARTS])
    paths = re.findall(rf"`((?:{parts})/[\w/.]+)`", text)
    assert len(paths) > 50
    assert [path for path in paths if not any((home / path).exists() for home in (ROOT, PACKAGE))] == []
    runs = [Path(*run.split(".")) for run in re.findall(r"python -m (tests[\w.]+)", text)]
    assert [run for run in runs if not ((ROOT / f"{run}.py").exists() or (ROOT / run / "__main__.py").exists())] == []
    map_words = set(re.findall(r"\w+", text.split("```")[3]))
    modules = {path.stem for path in PACKAGE.rglob("*.py")} - {"__init__", "__main__"}
    assert modules - map_words == set()


def test_no_folder_holds_more_modules_than_a_person_takes_in() -> None:
    counts: dict[Path, int] = defaultdict(int)
    for path in PACKAGE.rglob("*.py"):
        counts[path.parent] += path.stem not in ("__init__", "__main__")
    assert {path.name: n for path, n in counts.items() if n > MOST_SIDE_BY_SIDE} == {}


def test_each_test_file_is_named_after_the_module_it_tests() -> None:
    """`tests/log/file/test_store_held_open.py` tests `trimfit/log/file/store.py`."""
    wrong = []
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        folder = path.relative_to(ROOT / "tests").parent
        if not folder.parts or folder.parts[0] in OTHER_TESTS:
            continue
        modules = [module.stem for module in (PACKAGE / folder).glob("*.py") if module.stem != "__init__"]
        if not any(path.stem == f"test_{m}" or path.stem.startswith(f"test_{m}_") for m in modules):
            wrong.append(str(path.relative_to(ROOT)))
    assert not wrong


def _loaded(code: str) -> set[str]:
    """The modules that a fresh process has loaded after `code`."""
    ask = f"{code}\nimport sys\nsys.stderr.write(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", ask], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


def test_the_command_line_loads_without_numpy() -> None:
    loaded = _loaded("import trimfit.cli.app")
    assert "typer" in loaded
    assert not loaded & {"numpy", "pandas", "scipy", "statsmodels", "sklearn", "matplotlib", *WEB}
    # what a page of help does not need: no values, no pitches, no log
    assert not loaded & {
        "trimfit.base.records",
        "trimfit.base.answers",
        "trimfit.base.pitch",
        "trimfit.base.units",
        "sqlite3",
        "csv",
    }


def test_a_log_entry_loads_neither_numpy_nor_the_command_line(demo_log: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.trimfit"
    copy.write_bytes(demo_log.read_bytes())
    loaded = _loaded(
        f"import sys; sys.argv = ['trimfit', '--log', {str(copy)!r}, 'log', 'trim', 'R-0355', '--length', '0.1']\n"
        "from trimfit.__main__ import main\ntry:\n    main()\nexcept SystemExit as end:\n    assert end.code == 0"
    )
    assert "sqlite3" in loaded
    assert not loaded & {"numpy", "typer", "pandas", *WEB}
    # of the package, what keeps one entry and no more; of the standard library, what that needs
    assert not loaded & {"trimfit.base.answers", "trimfit.cli.app", "trimfit.log.entry_counts", "trimfit.verbs.ask"}
    assert not loaded & {"base64", "csv", "difflib", "statistics", "subprocess", "tempfile"}


@pytest.mark.parametrize("words", [["ask", "R-0355"], ["ask", "--all"], ["predict", "R-0355", "--length", "0.1"]])
def test_answers_from_a_learned_log_load_no_heavy_library(demo_log: Path, words: list[str]) -> None:
    loaded = _loaded(
        f"import sys; sys.argv = ['trimfit', '--log', {str(demo_log)!r}, *{words!r}]\n"
        "from trimfit.__main__ import main\ntry:\n    main()\nexcept SystemExit as end:\n    assert not end.code"
    )
    assert "numpy" in loaded
    assert not loaded & {"pandas", "scipy", "statsmodels", "sklearn", "matplotlib", *WEB}


def _texts() -> Iterator[tuple[Path, str]]:
    for top in ("trimfit", "tests", "datasets_demo", ".ci"):
        for path in sorted((ROOT / top).rglob("*")):
            if path.is_file() and path.suffix in {".py", ".md", ".toml", ""} and "__pycache__" not in path.parts:
                yield path, path.read_text(encoding="utf-8")
    for name in ("README.md", "DEVELOPERS.md", "pyproject.toml"):
        yield ROOT / name, (ROOT / name).read_text(encoding="utf-8")


def test_nothing_unfinished_and_no_path_of_one_machine() -> None:
    # spelled in pieces, so that this file does not find itself
    unfinished = re.compile("|".join(["TO" + "DO", "FIX" + "ME", "XX" + "X", "NotImplemented" + "Error"]))
    machine = re.compile(
        r"(^|[^A-Za-z0-9._])/(" + "|".join(["wo" + "rk", "ro" + "ot", "tm" + "p", "fa" + "rm"]) + ")/[a-z]", re.M
    )
    hollow = re.compile(r"^\s*assert " + r"True\b|pytest\.sk" + r"ip\(|@pytest\.mark\.(sk" + r"ip|xf" + r"ail)", re.M)
    wrong = [
        f"{path.relative_to(ROOT)}: {found.group(0).strip()}"
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
    seen = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
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
    with (ROOT / "pyproject.toml").open("rb") as file:
        assert tomllib.load(file)["project"]["version"] == trimfit.__version__


def test_each_package_is_installed() -> None:
    with (ROOT / "pyproject.toml").open("rb") as file:
        listed = set(tomllib.load(file)["tool"]["setuptools"]["packages"])
    there = {".".join(path.parent.relative_to(ROOT).parts) for path in PACKAGE.rglob("__init__.py")}
    assert listed == there | {"trimfit.demo_shop"}


def test_each_file_of_the_package_is_installed() -> None:
    with (ROOT / "pyproject.toml").open("rb") as file:
        project = tomllib.load(file)
    listed = project["tool"]["setuptools"]["package-data"]
    found = {PACKAGE / path for path in ("LICENSE",)} | {
        path
        for package, patterns in listed.items()
        for pattern in patterns
        for path in ROOT.joinpath(*package.split(".")).glob(pattern)
    }
    there = {path for path in PACKAGE.rglob("*") if path.is_file() and path.suffix not in (".py", ".pyc")}
    assert there - found == set()
    assert project["project"]["license-files"] == ["trimfit/LICENSE"]


def test_each_file_that_the_developers_page_names_is_there() -> None:
    named = re.findall(r"`([\w./]+/[\w.]+\.(?:py|md|toml))`", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert len(named) > 20
    assert [name for name in named if not ((ROOT / name).exists() or (PACKAGE / name).exists())] == []


def test_the_map_of_the_package_names_each_module_of_each_part() -> None:
    drawn = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## The package")[2].partition("## ")[0]
    unnamed = [
        _module(path)
        for path in sorted(PACKAGE.rglob("*.py"))
        if path.stem != "__init__" and not re.search(rf"\b{path.stem}\b", drawn)
    ]
    assert not unnamed
