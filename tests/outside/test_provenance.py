"""Where the tables come from is said of each, and each test of values that were typed from memory says so."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from tests.outside.published import DATA, table

ROWS = [line.split("|")[1:-1] for line in (DATA / "PROVENANCE.md").read_text(encoding="utf-8").splitlines()]
SOURCES = {cells[0].strip(): " ".join(cells[1:]) for cells in ROWS if len(cells) == 4 and ".csv" in cells[0]}


def files_of(cell: str) -> list[str]:
    """The tables that a row names, without `.csv`: `…_crossings` goes on from the first, `*` stands for anything."""
    names = re.findall(r"([\w…*]+)\.csv", cell)
    whole = [name.replace("…", names[0]) for name in names]
    return [path.stem for name in whole for path in DATA.glob(f"{name}.csv")]


def remembered() -> set[str]:
    """Tables with values from memory, and data sets of which the table of mixed models has some."""
    mixed = table("mixed_model_expected")
    tables = {file for cell, said in SOURCES.items() if "from memory" in said for file in files_of(cell)}
    return tables | {*mixed["dataset"][mixed["published_from"] == "memory"]}


def each_test(path: Path) -> Iterator[tuple[str, set[str], bool]]:
    """Each test of a file, the texts that it and the file outside of tests hold, and whether it speaks of memory."""

    def texts(nodes: list[ast.AST]) -> set[str]:
        return {
            str(one.value)
            for node in nodes
            for one in ast.walk(node)
            if isinstance(one, ast.Constant) and isinstance(one.value, str)
        }

    tree = ast.parse(path.read_text(encoding="utf-8"))
    tests = [one for one in tree.body if isinstance(one, ast.FunctionDef) and one.name.startswith("test_")]
    shared = texts([one for one in tree.body if one not in tests])
    for test in tests:
        yield test.name, shared | texts([test]), "memory" in f"{test.name} {ast.get_docstring(test)}"


def test_each_table_has_its_source_and_none_that_is_named_is_missing() -> None:
    named = [file for cell in SOURCES for file in files_of(cell)]
    assert sorted(named) == sorted(path.stem for path in DATA.glob("*.csv"))
    assert all(files_of(cell) and said.strip() for cell, said in SOURCES.items())


def test_each_table_is_read_by_a_test() -> None:
    texts = [path.read_text(encoding="utf-8") for path in DATA.parents[1].rglob("*.py")]
    assert [path.stem for path in DATA.glob("*.csv") if not any(f'"{path.stem}"' in text for text in texts)] == []


def test_a_test_of_values_from_memory_says_so() -> None:
    from_memory = remembered()
    assert {"arl_cusum_ewma", "degradation_nist_8423_crossings", "pastes"} <= from_memory
    found = [
        (f"{path.stem}: {name}", says)
        for path in sorted(Path(__file__).parent.glob("test_published_*.py"))
        for name, held, says in each_test(path)
        if held & from_memory
    ]
    assert len(found) > 6
    assert [name for name, says in found if not says] == []
