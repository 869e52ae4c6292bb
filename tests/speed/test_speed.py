"""The benchmarks as tests, on small logs: they run to their end, and the criteria of both engines agree."""

import importlib.util
from pathlib import Path

import pytest

from tests.speed.__main__ import growth_lines, line
from tests.speed.figures import Shop, command_figures, growth, import_figures, joint_figures, reml_figures
from tests.speed.page import measured

pytestmark = pytest.mark.speed


def test_commands_on_a_small_log(tmp_path: Path) -> None:
    shop = Shop(tmp_path, 300).learned()
    figures = [*command_figures(shop, 1), *import_figures(shop, 1)]
    assert all(figure.ratio is not None and figure.ratio > 0 for figure in figures)
    assert all(line(figure).count("|") == 7 for figure in figures)


def test_asking_does_not_grow_with_the_log(tmp_path: Path) -> None:
    table = growth(tmp_path, [300, 3000], 3)
    assert len(growth_lines([300, 3000], table)) == 2 + len(table)
    for name in ("ask", "log reading"):
        small, big = table[name]
        assert big < 1.5 * small


def test_both_engines_reach_the_same_criterion() -> None:
    (figure,) = reml_figures(300, 10.0, 1)
    if importlib.util.find_spec("mixedlm") is None:
        assert figure.ratio is None
        assert "not installed" in figure.remark
    else:
        apart = float(figure.remark.split(" apart by ")[1].split()[0])
        assert apart < 1e-6


def test_the_joint_fit_is_told_apart() -> None:
    covariance, whole = joint_figures(120, 1)
    assert 0 < covariance.ratio < whole.ratio


@pytest.mark.browser
def test_the_page_shows_its_list_at_once_and_answers_sooner_than_a_cold_ask(tmp_path: Path) -> None:
    waits = measured(Shop(tmp_path, 600).learned(), tmp_path, 5)
    assert waits.list_s < waits.filled_s
    assert waits.answer_s < waits.cold_ask_s
