"""The second opinion: on made-up reeds both models find the slopes that were put in, and a wrong one is called out."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.steps import prior_model
from trimfit.regression.second_opinion import SecondOpinion, second_opinions

PER_MM, PER_STROKE, BATCH_SD, REED_SD, READING_SD = 60.0, 0.5, 5.0, 7.0, 1.5


def made_up(batches: int = 6, reeds: int = 10) -> pd.DataFrame:
    """Reeds of one type, each read at four lengths, of two chanters."""
    rng = np.random.default_rng(4)
    rows = []
    for batch in range(batches):
        off = rng.normal(0.0, BATCH_SD)
        for number in range(reeds):
            start, slope = -60.0 + off + rng.normal(0.0, REED_SD), PER_MM + rng.normal(0.0, 6.0)
            chanter = "A" if number % 2 else "B"
            for step in range(4):
                mm, strokes = 0.2 * step, float(rng.integers(0, 8)) if step else 0.0
                gap = start + slope * mm + PER_STROKE * strokes + (3.0 if chanter == "B" else 0.0)
                gap += rng.normal(0.0, READING_SD)
                rows.append((f"{batch}-{number}", "cane", f"b{batch}", chanter, mm, strokes, 700.0, 700.0 + gap))
    names = ["reed", "reed_type", "batch", "chanter", "removed_mm", "lip_strokes", "e_cents", "f_cents"]
    frame = pd.DataFrame(rows, columns=names)
    return frame.assign(seq=np.arange(len(frame)), entry=[f"rea-{i}" for i in range(len(frame))])


def model(gap_per_mm: float, sd: float = 0.4) -> FittedModel:
    """A fitted model of one type whose gap closes by `gap_per_mm`: F rises by it, E stays."""
    prior = prior_model(("cane",), 6.0, 20.0, 3.7)
    coef, cov = prior.coef.copy(), np.eye(len(prior.coef)) * sd**2 / 2.0
    k = len(prior.noise_cov)
    coef[k : 3 * k] = 0.0
    coef[k + 7] = gap_per_mm  # F is the eighth output
    return dataclasses.replace(prior, coef=coef, coef_cov=cov, reeds=(60,))


@pytest.fixture(scope="module")
def opinion() -> SecondOpinion:
    return second_opinions(model(PER_MM), made_up())[0]


def test_the_second_model_finds_what_was_put_in(opinion: SecondOpinion) -> None:
    assert (opinion.readings, opinion.reeds, opinion.batches) == (240, 60, 6)
    assert opinion.per_mm is not None
    assert opinion.per_stroke is not None
    assert opinion.per_mm.low < PER_MM < opinion.per_mm.high
    assert opinion.per_stroke.low < PER_STROKE < opinion.per_stroke.high
    assert opinion.reed_sd_cents == pytest.approx(REED_SD, rel=0.25)
    assert opinion.reading_sd_cents == pytest.approx(READING_SD, rel=0.25)
    assert opinion.batch_sd_cents == pytest.approx(BATCH_SD, rel=0.6)


def test_agreement_and_difference_are_said_in_words(opinion: SecondOpinion) -> None:
    assert opinion.words.startswith("cane: the first half millimetre moves the gap by")
    assert "30.0 in the fit: they agree" in opinion.words
    wrong = second_opinions(model(80.0), made_up())[0]
    assert "40.0 in the fit: they differ by" in wrong.words
    # which standard error is meant, and why two right models may differ, stands beside the difference alone
    assert "times the larger standard error" in wrong.words
    assert "Why they may: the fit counts apart how a reed settles" in wrong.words
    assert "Why they may" not in opinion.words


def test_a_shop_of_little_gets_no_second_opinion() -> None:
    few = second_opinions(model(PER_MM), made_up(batches=1))[0]
    assert few.words == "cane: too few readings for a second opinion"
    assert few.per_mm is None


def test_readings_that_the_fit_doubts_are_left_out() -> None:
    frame = made_up()
    frame.loc[5, "f_cents"] += 140.0
    doubting = dataclasses.replace(model(PER_MM), low_weight={"rea-5": [0.01] * 10})
    found = second_opinions(doubting, frame)[0]
    assert found.readings == 239
    assert found.reading_sd_cents == pytest.approx(READING_SD, rel=0.25)
