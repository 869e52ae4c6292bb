"""Learning from the log: fit, keep, and know when the fit is due again.

A fit is due when readings logged (or struck, counted fivefold) since the last are a quarter of those it holds and at
least twenty, when those struck alone are a quarter, when a setting that it uses was changed, when a chanter that it
knows got another kind or gauge, was taken away or came back, when F was read in a chanter that is away, or that it does
not know (as far as it has room for one more), or knows by crows alone, when such a reading in one that is away, or the
last in any, was struck, or when five or more of them are of reed types that it does not know, taken together. In
between nothing is lost: the readings since count at once for their own batch (`regression.posterior.reed`), and once
they are a fiftieth and at least ten the coefficients follow too, by the changed batches alone
(`regression.fitting.update`): what a type does, and a chanter, for all other reeds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from trimfit.base.errors import LogError
from trimfit.session.reading_frame import frame_of

if TYPE_CHECKING:
    from fractions import Fraction

    import numpy as np
    from numpy.typing import NDArray

    from trimfit.base.progress import Progress
    from trimfit.base.records import ReedHistory, Settings
    from trimfit.entry.doubt_marks import Mark
    from trimfit.log.journal import Journal
    from trimfit.regression.design import Rows
    from trimfit.regression.fitted_model import FittedModel
    from trimfit.regression.fitting.update import Changed
    from trimfit.regression.validation import HeldOut

CARD = "card"
VALIDATION = "validation"
MOST_PAIRS = 500
SET_ASIDE = 0.2
WHOLE_READING = 8
OUTLIER_CENTS = 150.0
LEAST_READINGS = 3
DUE_SHARE = 0.25
DUE_LEAST = 20
FOLLOW_SHARE, FOLLOW_LEAST = 0.02, 10
STRIKE_COUNTS = 5
FIT_STEPS, LEARN_STEPS = 5, 7
"""About how many steps a fit tells of, and a fit with its checks: for the progress line."""
MOST_READINGS = 20_000
"""Fits rest on the latest readings, this many: the running norm of the last few years, whole reeds only."""


class _Learning:
    """All the steps of a fit shown as one: `learning from your log`, in hundredths."""

    def __init__(self, progress: Progress, steps: int) -> None:
        self._progress, self._steps, self._step, self._behind, self._shown = progress, steps, "", -1, -1

    def __call__(self, step: str, done: int, whole: int) -> None:
        if step != self._step:
            self._step, self._behind = step, self._behind + 1
        so_far = self._behind + min(done / whole, 1.0) if whole > 0 else self._behind
        self._show(max(min(round(100.0 * so_far / self._steps), 99), self._shown))

    def done(self) -> None:
        """The last of it."""
        self._show(100)

    def _show(self, hundredths: int) -> None:
        if hundredths != self._shown:
            self._shown = hundredths
            self._progress("learning from your log", hundredths, 100)


def _used_words(settings: Settings) -> tuple[str, ...]:
    """The settings that a fit uses."""
    names = (
        "ratio_low_g", "ratio_d", "ratio_high_g", "balance_tolerance_hz", "bench_pressure_kpa", "bench_temperature_c",
    )  # fmt: skip
    return tuple(str(getattr(settings, name)) for name in names)


def _fit(journal: Journal, progress: Progress) -> tuple[FittedModel, Rows]:
    import numpy as np
    from threadpoolctl import threadpool_limits

    from trimfit.base.errors import InputError
    from trimfit.base.pitch import hz_width_cents
    from trimfit.regression.chanters.kinds import facts_of
    from trimfit.regression.cut_error import cut_error
    from trimfit.regression.design import rows_from_frame
    from trimfit.regression.fitting.bounds import (
        affordable,
        most_read_chanters_first,
        most_read_types_first,
        of_types,
    )
    from trimfit.regression.fitting.steps import fit_model

    settings = journal.settings()
    last_seq = journal.last_seq()
    progress("reading the log", 0, 1)
    frame = frame_of(journal, most_readings=MOST_READINGS)
    progress("reading the log", 1, 1)
    if not len(frame):
        raise InputError("the log holds no reading yet", str(journal.path), "log or import readings first")
    rows, every_type, chanters = rows_from_frame(frame)
    rows, types = most_read_types_first(rows, every_type)
    rows = affordable(of_types(rows, len(types)))
    # The matrices are small: threads of linear algebra cost several times what they save.
    with threadpool_limits(limits=1):
        model = fit_model(
            rows,
            types,
            chanters,
            pressure_kpa=settings.bench_pressure_kpa,
            temperature_c=settings.bench_temperature_c,
            balance_cents=hz_width_cents(settings.balance_tolerance_hz, 470.0),
            facts={name: facts_of(record) for name, record in journal.chanters().items()},
            tell=progress,
        )
    asked = journal.columns("trim", ["asked_mm", "length_mm"], reeds=journal.last_read(MOST_READINGS))
    pairs = np.array(asked, dtype=float).reshape(-1, 2)
    since_seq = int(frame[frame["reed"].isin(set(rows.reeds))].groupby("reed")["seq"].max().min())
    pct, constant_mm = cut_error(pairs[:, 0], pairs[:, 1]) or (None, None)
    model = replace(
        model, fit_seq=last_seq, last_seq=last_seq, since_seq=since_seq,
        fitted_with=_used_words(settings), cut_error_pct=pct, cut_error_mm=constant_mm,
    )  # fmt: skip
    return model, most_read_chanters_first(rows, chanters)[0]


def _is_due(journal: Journal, model: FittedModel, settings: Settings) -> bool:
    from trimfit.regression.chanters.kinds import away_codes, facts_of, same_kinds
    from trimfit.regression.fitting.bounds import MOST_CHANTERS, MOST_TYPES

    if model.fitted_with != _used_words(settings) or model.last_seq > journal.last_seq():  # another log
        return True
    chanters = journal.chanters()
    if model.readings and not same_kinds(model.hierarchy, model.coding.chanters, chanters):
        return True
    facts = {name: facts_of(record) for name, record in chanters.items()}
    if model.coding.away != away_codes(model.coding.chanters, facts):
        return True
    found = journal.columns("reading", ["reed", "chanter", "f_hz", "e_hz"], after_seq=model.fit_seq)
    # the few readings in such a chanter are most of what is known of it, for reeds of all batches
    room = len(model.coding.chanters) < MOST_CHANTERS
    for name in {chanter for _, chanter, f_hz, _ in found if chanter and f_hz}:
        if (room and name not in model.coding.chanters) or (name in chanters and chanters[name].at_hand == "no"):
            return True
    for name in {chanter for _, chanter, f_hz, e_hz in found if f_hz and e_hz} & set(model.coding.chanters):
        if not journal.chanter_read(name, model.fit_seq):  # only its crow was read until then
            return True
    struck = journal.struck_readings(model.fit_seq)
    for name in {chanter for chanter, f_hz, e_hz in struck if chanter and f_hz and e_hz} & set(model.coding.chanters):
        # one wrong reading there was most of what was known of it
        if (name in chanters and chanters[name].at_hand == "no") or not journal.chanter_read(name):
            return True
    since = [reed for reed, *_ in found]
    fresh, gone = len(since), STRIKE_COUNTS * len(struck)
    if gone >= DUE_SHARE * max(model.readings, 1) or fresh + gone >= max(DUE_SHARE * model.readings, DUE_LEAST):
        return True
    if fresh < 5 or model.n_types >= MOST_TYPES:
        return False
    types = dict(journal.columns("reed", ["reed", "reed_type"], reeds=sorted(set(since))))
    known = set(model.coding.types)
    return sum(1 for reed in since if types.get(reed, model.coding.types[0]) not in known) >= 5


def kept_model(journal: Journal) -> FittedModel | None:
    """The fitted model as the log has it, however old; None where there is none, or where it cannot be read back."""
    from trimfit.regression.fitted_model import model_from_bytes

    kept = journal.learned_get(CARD)
    if kept is None:
        return None
    try:
        return model_from_bytes(kept)
    except LogError:
        return None


def prior(journal: Journal) -> FittedModel:
    """Assumptions alone, under the shop's settings."""
    from trimfit.base.pitch import hz_width_cents
    from trimfit.regression.fitting.steps import prior_model

    settings = journal.settings()
    balance_cents = hz_width_cents(settings.balance_tolerance_hz, 470.0)
    return prior_model((), settings.bench_pressure_kpa, settings.bench_temperature_c, balance_cents)


def up_to_date(
    journal: Journal,
    progress: Progress,
    known: FittedModel | None = None,
    policies_of: Callable[[FittedModel], None] | None = None,
) -> FittedModel:
    """What the log has taught, fitted anew where due; assumptions alone where there is nothing to learn from.

    known: the model that the log keeps, where it was read before. policies_of: called with a new model before it is
    kept, to solve the policies of its types.
    """
    with journal.reading():
        model = known if known is not None and known.readings else kept_model(journal)
        due = model is None or _is_due(journal, model, journal.settings())
        readings = journal.count("reading")
        bare = model is None and journal.learned_get(CARD) is None and readings < LEAST_READINGS
        changed = None if model is None or due else _changed_since(journal, model)
    if bare or not readings:  # none yet, or all were struck
        return prior(journal)
    if model is None or due:
        return fit_and_keep(journal, progress, policies_of)
    if changed is not None:
        from trimfit.regression.fitting.update import refreshed

        model = refreshed(model, *changed)
        if policies_of is not None:
            policies_of(model)
        _keep(journal, model)
    return model


def fit_and_keep(
    journal: Journal, progress: Progress, policies_of: Callable[[FittedModel], None] | None = None
) -> FittedModel:
    """Fit the log and keep what was learned in it, where it can be written. InputError where it holds no reading.

    policies_of: as for `up_to_date`.
    """
    learning = _Learning(progress, FIT_STEPS)
    model, _ = _fit(journal, learning)
    learning.done()
    if policies_of is not None:
        policies_of(model)
    _keep(journal, model)
    return model


def learn_and_keep(
    journal: Journal, progress: Progress, policies_of: Callable[[FittedModel], None]
) -> tuple[FittedModel, list[dict[str, object]]]:
    """As `fit_and_keep`, with held-out errors: the model, and the rows of `regression.validation.summary`.

    policies_of: called with the model, to solve the policies of its types. Derived values that were damaged are thrown
    away, policies of other costs too: they are solved when they are next asked for.
    """
    import json

    from trimfit.regression.fitted_model import model_to_bytes
    from trimfit.regression.validation import SCORED, held_out, summary

    learning = _Learning(progress, LEARN_STEPS)
    model, rows = _fit(journal, learning)
    learning("leaving out each batch", 0, 1)
    found = held_out(model, rows)
    validation = summary(found, model.coding.types)
    triples = {output: _triples(found, SCORED.index(output)) for output in ("gap", "crow", "low_a")}
    learning("leaving out each batch", 1, 1)
    kept = json.dumps({"rows": validation, "triples": triples}).encode()
    if not journal.read_only:
        journal.learned_clear()
        journal.learned_put({CARD: model_to_bytes(model), VALIDATION: kept})
    policies_of(model)
    learning.done()
    return model, validation


def _triples(found: HeldOut, output: int) -> list[list[float]]:
    """Of an output, readings that the type's average slope predicts too: predicted, by that rule, observed, in cents.
    At most MOST_PAIRS, evenly through the log."""
    import numpy as np

    all_three = np.column_stack([found.predicted[:, output], found.type_rule[:, output], found.observed[:, output]])
    known = all_three[np.isfinite(all_three).all(axis=1)]
    known = known[np.abs(known[:, 0] - known[:, 2]) < OUTLIER_CENTS]
    if len(known) > MOST_PAIRS:
        known = known[np.linspace(0, len(known) - 1, MOST_PAIRS).astype(int)]
    return [[round(float(value), 2) for value in row] for row in known]


def _keep(journal: Journal, model: FittedModel) -> None:
    from trimfit.regression.fitted_model import model_to_bytes

    if not journal.read_only:
        journal.learned_put({CARD: model_to_bytes(model)})


def rows_in_fit(
    model: FittedModel, histories: Sequence[ReedHistory], code: int, names: Sequence[str], scale: Mapping[str, Fraction]
) -> tuple[Rows, NDArray[np.intp], NDArray[np.bool_]]:
    """A batch's readings as rows, the number of each in the log, and which of them the fitted model has seen.

    code: of the reeds' type; names: of chanters, the fitted model's first.
    """
    import numpy as np

    from trimfit.regression.fitting.bounds import of_fewer_chanters
    from trimfit.regression.readings.rows import rows_of

    rows = of_fewer_chanters(rows_of(histories, code, tuple(names), scale))
    seq = np.array([r.seq for h in histories for r in h.readings], dtype=np.intp)
    held = [
        max((r.seq for r in h.readings if r.seq <= model.last_seq), default=0) >= model.since_seq
        for h in histories
        for _ in h.readings
    ]
    in_fit = (seq <= model.last_seq) & np.array(held, dtype=bool) & (model.readings > 0) & (code < model.n_types)
    return rows, seq, in_fit


def _changed_since(journal: Journal, model: FittedModel) -> tuple[list[Changed], int] | None:
    """The batches that anything was read of since the model last followed, and the log's last entry; None where that is
    too little for its coefficients to follow, or they cannot."""
    last_seq = journal.last_seq()
    since = [reed for (reed,) in journal.columns("reading", ["reed"], after_seq=model.last_seq)]
    if len(since) < max(FOLLOW_SHARE * model.readings, FOLLOW_LEAST) or journal.read_only:
        return None
    # loaded only now: most questions stop above, and these load the whole fit
    import numpy as np

    from trimfit.regression.design import take_rows
    from trimfit.regression.fitting.bounds import MOST_TYPES
    from trimfit.regression.fitting.update import Changed

    batches = sorted(set(journal.columns("reed", ["reed_type", "batch"], reeds=sorted(set(since)))))
    types, known = model.coding.types, model.coding.chanters
    if any(reed_type not in types for reed_type, _ in batches) and model.n_types < MOST_TYPES:
        return None  # a type that it does not know is for a fit
    batches = [(reed_type, batch) for reed_type, batch in batches if reed_type in types]
    changed = []
    for reed_type, batch in batches:
        histories = journal.of_batch(reed_type, batch)
        met = {r.record.chanter for h in histories for r in h.readings if r.record.chanter}
        names = (*known, *sorted(met - set(known)))
        rows, seq, in_fit = rows_in_fit(model, histories, types.index(reed_type), names, journal.scale())
        at = np.flatnonzero(seq <= last_seq)  # another process may log meanwhile
        changed.append(Changed(take_rows(rows, at), in_fit[at], names))
    return changed, last_seq


def outlier_marks(journal: Journal) -> list[Mark]:
    """Readings that the last fit counts for less than half, with what in them stands out; empty without a fit.

    Readings whose A's do not balance are left to the rule that says so.
    """
    from trimfit.base.pitch import OUTPUT_WORDS, OUTPUTS
    from trimfit.entry.doubt_marks import Mark

    model = kept_model(journal)  # one that cannot be read back is fitted anew when something is asked
    if model is None or not model.low_weight:
        return []
    out = []
    reed_of = dict(journal.columns("reading", ["entry", "reed"]))  # a reading that was struck since is none of them
    for entry, weights in model.low_weight.items():
        low = [OUTPUT_WORDS[name] for name, weight in zip(OUTPUTS, weights, strict=True) if weight < SET_ASIDE]
        reed = reed_of.get(entry)
        if not low or not reed:
            continue
        whole = len(low) >= WHOLE_READING
        what = "the whole reading" if whole else " and ".join((*([", ".join(low[:-1])] if low[1:] else []), low[-1]))
        s = "s" if whole or len(low) == 1 else ""
        than = "; was it another reed?" if whole else ""
        sentence = f"{what} lie{s} far from what all other readings predict, and count{s} for little{than}"
        out.append(Mark(entry, reed, "not-borne-out", sentence))
    return out
