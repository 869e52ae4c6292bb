"""The fitted model as bytes, and what it knows."""

from __future__ import annotations

import json
from dataclasses import fields, replace

import numpy as np
import pytest

from tests.regression.dense_shop import C_TERMS, K, M, before, card_of, small_shop, told
from trimfit.base.errors import LogError
from trimfit.regression.fitted_model import FittedModel, model_from_bytes, model_to_bytes
from trimfit.regression.fitting.steps import prior_model


def _cards() -> list[FittedModel]:
    shop = small_shop(1)
    fitted = card_of(shop, told(shop, before(shop)))
    full = replace(
        fitted,
        last_seq=812,
        fitted_with=("8/9", "4/3", "7/4"),
        cut_error_pct=2.7,
        cut_error_mm=0.005,
        gap_stretch=1.3,
        readings=41,
    )
    return [prior_model((), 6.0, 20.0, 3.7), prior_model(("cane", "молд"), 5.5, 21.0, 3.0), fitted, full]


@pytest.mark.parametrize("number", range(4))
def test_bytes_and_back_are_the_same_card(number: int) -> None:
    model = _cards()[number]
    data = model_to_bytes(model)
    back = model_from_bytes(data)
    assert model_to_bytes(back) == data
    for field in fields(FittedModel):
        old, new = getattr(model, field.name), getattr(back, field.name)
        if isinstance(old, np.ndarray):
            np.testing.assert_array_equal(old, new)
        elif field.name in ("coding", "movement", "hierarchy"):
            for part in fields(type(old)):
                np.testing.assert_array_equal(getattr(old, part.name), getattr(new, part.name))
        else:
            assert old == new, field.name
    assert back.reeds.dtype == np.intp


def test_what_is_read_back_answers_alike() -> None:
    model = _cards()[3]
    back = model_from_bytes(model_to_bytes(model))
    np.testing.assert_array_equal(back.type_coef(1), model.type_coef(1))
    np.testing.assert_array_equal(back.type_coef(-1), model.new_type_mean.reshape(M, K))
    assert back.chanter_slice(1).stop == len(back.coef)
    assert back.chanter_slice(0).stop - back.chanter_slice(0).start == C_TERMS * K


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: b"",
        lambda data: b"\x00\xff garbage",
        lambda data: data[:-8],
        lambda data: data[: len(data) // 2],
        lambda data: data.partition(b"\n")[2],
        lambda data: b"[1, 2]\n" + data.partition(b"\n")[2],
        lambda data: b"null\n",
        lambda data: _with(data, format=99),
        lambda data: _with(data, arrays={"coef": ["<f8", [1]]}),
        lambda data: _without(data, "arrays"),
        lambda data: _without(data, "plain", "fit_seq"),
        lambda data: _without(data, "arrays", "coding.curves"),
        lambda data: data + b"\x00" * 8,
    ],
)
def test_other_bytes_are_refused_with_the_remedy(spoil) -> None:  # type: ignore[no-untyped-def]
    data = spoil(model_to_bytes(_cards()[1]))
    with pytest.raises(LogError, match="cannot be read"):
        model_from_bytes(data)


def _with(data: bytes, **changed: object) -> bytes:
    line, _, body = data.partition(b"\n")
    return json.dumps({**json.loads(line), **changed}).encode() + b"\n" + body


def _without(data: bytes, *keys: str) -> bytes:
    line, _, body = data.partition(b"\n")
    head = json.loads(line)
    *way, last = keys
    of = head
    for key in way:
        of = of[key]
    del of[last]
    return json.dumps(head).encode() + b"\n" + body
