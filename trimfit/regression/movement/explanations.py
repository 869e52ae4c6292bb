"""The latest readings of a reed may be wrong, or the reed may have moved of a sudden: what would be known in each case.

Readings' errors are now and then several times what they mostly are (a reed not seated, a tail), and a reed now and
then jumps between two sittings. Once enough readings are there, the fit tells which (`batch.sound_weights`, `jumps`).
The latest sitting cannot be judged so. It is taken as a mixture over explanations e: the reed jumped before it, or not;
one of its readings was wild (WILD times the usual variance); or its F and E, where it has none its crow, are a slip
(taken for each other, mistyped, of another reed), so that they tell next to nothing; or none of this. Where one such is
the likeliest, one more is tried besides, for as long as that is likelier still. With D the design of the sitting's
readings, and m, C the state as it was without them,

    P(e | y) ~ P(e) N(y; D m, D (C + J_e) D' + N_e)

(after an event the gaps alone of y are judged so: see `LatestSitting`), and the state under e is the Gaussian update of
(m, C + J_e) by y with errors N_e. The state without them is a downdate, C' = C + C D' (N - D C D')^-1 D C, for this
reed alone; a ten-thousandth of what they told stays (_NEARLY_ALL). Once the sitting is over, the error h that its
readings share (`process`) is no part of the state: it stands in N and N_e between all of them. A doubt about a sitting
is so the same while the reed lies. The same holds for the time since the latest sitting: the reed may have jumped
since. Source of the mixtures: Tukey (1960), A survey of sampling from contaminated
distributions; Harrison & Stevens (1976), J. Royal Statistical Society B 38, 205 (multi-process models).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from trimfit.regression.design import Coding, Rows, base_weight
from trimfit.regression.movement.process import BASIS, N_DIRECTIONS, SITTING_DAYS, TypeMovement, settled, sittings_of
from trimfit.regression.movement.wild_readings import WILD
from trimfit.regression.outputs import CROW, E_NOTE, F_NOTE, GAP, Array, K, block_diagonal, positive
from trimfit.regression.posterior.batch import reading_noise
from trimfit.regression.posterior.reed import ReedState

LEAST_CHANCE = 0.001
"""An explanation less likely than this is left out."""
SLIPS, SLIP_CENTS = 0.002, 100.0
"""The share of readings whose F and E, or crow alone, are a slip, and how far these then lie off (sd; common practice,
no source). What the first reading of a reed shows far outside its type is weighed so: a wild error of four times the
usual is small beside what is not known of a new reed."""
MOST_READINGS = 6
"""A longer sitting speaks for itself: its last so many readings are weighed."""
_NEARLY_ALL = 0.9999
"""Of what the latest readings told, so much is taken out again: the ten-thousandth that stays keeps what is inverted
clear of rounding."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """Another explanation of what was read: its chance, the state under it, and whether the reed moved in it."""

    chance: float
    state: ReedState
    moved: bool


@dataclass(frozen=True, slots=True)
class LatestSitting:
    """A reed's latest sitting, reading by reading: cents (m,) of the outputs taken, their design (m, d) under the
    reading's own conditions, the errors (m, m) as they were counted, as they would be for a sound reading, and for one
    whose F and E (or crow, where these are not there) are a slip; shared: the covariance that the error which the
    sitting's readings share puts between the outputs of all of them, one reading after the other, 0 while the sitting
    lasts: it is a part of the state till then;
    labels: their entries; jumped: whether a jump before the sitting was counted; days_before: since the sitting before,
    None for the first. gaps: what makes the gap of each reading's outputs (m,), where an event was logged before the
    sitting, else None: whether a reading is sound is judged by its gap alone then, since an event may have moved F or E
    more than the notes beside them.
    """

    cents: tuple[Array, ...]
    designs: tuple[Array, ...]
    counted: tuple[Array, ...]
    sound: tuple[Array, ...]
    slipped: tuple[Array, ...]
    shared: Array
    jumped: bool
    days_before: float | None
    labels: tuple[str, ...]
    gaps: tuple[Array, ...] | None = None


def latest_sitting(
    state: ReedState, rows: Rows, coding: Coding, names: Sequence[str], reed_code: int, settle_now: Array
) -> LatestSitting | None:
    """The latest sitting of a reed as `reed.batch_states` counted it; None without one of F and E, or of the crow.

    rows: with the weights and jumps found there; names: what chanter codes stand for; settle_now (2,): how far the reed
    has settled at the state's moment.
    """
    here = np.flatnonzero(rows.reed_code == reed_code)
    if not len(here) or state.movement is None:
        return None
    moved = (rows.event[here] != 0) | (rows.jump[here] > 0)
    sitting = sittings_of(rows.day[here], np.zeros(len(here), dtype=np.intp), moved)
    last = here[sitting == sitting[-1]]
    start = int(last[0])
    jumped = bool(rows.jump[start] > 0)
    days = float(rows.day[start] - rows.day[start - 1]) if start > here[0] else None
    if state.idle_days > 0 and len(last) > MOST_READINGS:
        return None  # what its readings share is no part of the state any more, and some of them would be left out
    last = last[-MOST_READINGS:]
    base = base_weight(rows, coding)[last]
    error = BASIS @ state.movement.sitting @ BASIS.T if state.idle_days > 0 else np.zeros((K, K))
    settle = settled(rows)
    level_at = settle_now if state.idle_days == 0 else settle[start]
    parts = []
    for at, own in zip(last.tolist(), base, strict=True):
        taken = np.flatnonzero(np.isfinite(rows.y[at]) & (rows.weight[at] > 1e-3))
        meets = E_NOTE in taken and F_NOTE in taken
        if not meets and (CROW not in taken or rows.event[start]):
            continue
        chanter = names[int(rows.chanter_code[at])] if rows.chanter_code[at] >= 0 else None
        kpa, deg_c = (value if math.isfinite(value) else None for value in (float(rows.kpa[at]), float(rows.deg_c[at])))
        design = state.design(
            float(rows.removed_mm[at]), float(rows.lip[at]), chanter, kpa, deg_c, as_read=state.idle_days == 0
        )
        if state.idle_days > 0:
            design = design.copy()
            design[:, -N_DIRECTIONS:] = -BASIS  # the level as it was then
        since = BASIS @ ((level_at - settle[at]) @ state.movement.settle)
        spot = np.ix_(taken, taken)
        noise = [reading_noise(w[None, taken], state.noise_cov[spot])[0] for w in (rows.weight[at], own)]
        slipped = noise[1] + np.diag(
            np.where(np.isin(taken, (E_NOTE, F_NOTE) if meets else (CROW,)), SLIP_CENTS**2, 0.0)
        )
        parts.append(
            (rows.y[at, taken] + since[taken], design[taken], *noise, slipped, str(rows.label[at]), GAP[taken], taken)
        )
    if not parts:
        return None
    cents, designs, counted, sound, slipped, labels, gaps, each = zip(*parts, strict=True)
    by_gap, outputs = gaps if rows.event[start] else None, np.concatenate(each)
    shared = error[np.ix_(outputs, outputs)]
    return LatestSitting(cents, designs, counted, sound, slipped, shared, jumped, days, labels, by_gap)


def _less(state: ReedState, design: Array, cents: Array, noise: Array, share: float) -> ReedState:
    """The state with `share` of readings' information taken out again: design (m, d), cents (m,), noise (m, m)."""
    reach = state.cov @ design.T
    inner = noise / share - design @ reach
    gain = np.linalg.solve(0.5 * (inner + inner.T), reach.T).T
    cov = state.cov + gain @ reach.T
    return replace(state, mean=state.mean + gain @ (design @ state.mean - cents), cov=0.5 * (cov + cov.T))


def explained(state: ReedState, latest: LatestSitting | None, wild: float) -> tuple[ReedState, tuple[Explanation, ...]]:
    """The likeliest state of a reed, and the other explanations of its latest readings, likeliest first.

    wild: the share of readings that are wild (`wild_readings.wild_share`). What the chances of the other explanations
    leave to one is the likeliest one's.
    """
    found: list[tuple[float, ReedState, bool]] = [(1.0, state, False)]
    movement = state.movement
    if latest is not None and movement is not None:
        found = _weighed(state, movement, latest, wild)
    if movement is not None and state.idle_days > 0:
        chance = movement.chance_of_jump(state.idle_days)
        found = [(p * (1.0 - chance), s, moved) for p, s, moved in found] + [
            (p * chance, s.moved(movement.jump_in(state.idle_days)), True)
            for p, s, moved in found
            if p * chance > LEAST_CHANCE
        ]
    found.sort(key=lambda one: -one[0])
    whole = sum(p for p, _, _ in found)
    others = tuple(Explanation(p / whole, s, moved) for p, s, moved in found[1:] if p / whole > LEAST_CHANCE)
    return found[0][1], others


def _weighed(
    state: ReedState, movement: TypeMovement, latest: LatestSitting, wild: float
) -> list[tuple[float, ReedState, bool]]:
    """Chance, state and whether the reed moved, of each explanation of the latest sitting."""
    design, cents = np.concatenate(latest.designs), np.concatenate(latest.cents)
    before = _less(state, design, cents, block_diagonal(latest.counted) + latest.shared, _NEARLY_ALL)
    if latest.jumped:
        before = before.moved(-movement.jump, since=state.idle_days == 0)
        # what was left of the readings' information may make it narrower than the jump that is taken out of it
        before = replace(before, cov=positive(before.cov))
    jump_chance = 0.0
    if latest.days_before is not None:
        jump_chance = movement.chance_of_jump(max(latest.days_before, SITTING_DAYS))
    n = len(latest.cents)
    judged = np.eye(len(cents))
    if latest.gaps is not None:
        reading = np.repeat(np.arange(n), [len(gap) for gap in latest.gaps])
        judged = np.where(reading == np.arange(n)[:, None], np.concatenate(latest.gaps), 0.0)
    shares, errors = (wild, SLIPS), ([WILD * one for one in latest.sound], latest.slipped)
    starts = [(1.0 - jump_chance, False, before)]
    if jump_chance > 0.0:
        starts.append((jump_chance, True, before.moved(movement.jump, since=state.idle_days == 0)))
    cases: list[tuple[float, bool, dict[int, int], ReedState, Array]] = []
    wrong: dict[int, int] = {}  # a reading's number -> 0 wild, 1 a slip: as in the likeliest explanation yet
    tried = [wrong]
    for size in range(n):
        tried += [{**wrong, i: how} for i in range(n) if i not in wrong for how in range(2)]
        for each, (chance, moved, start) in itertools.product(tried, starts):
            own = [errors[each[i]][i] if i in each else latest.sound[i] for i in range(n)]
            noise = block_diagonal(own) + latest.shared
            prior = chance * (1.0 - sum(shares)) ** (n - len(each)) * math.prod(shares[how] for how in each.values())
            if prior <= 0.0:
                continue
            spread = judged @ (design @ start.cov @ design.T + noise) @ judged.T
            error = judged @ (cents - design @ start.mean)
            root = np.linalg.cholesky(0.5 * (spread + spread.T))
            freed = np.linalg.solve(root, error)
            log = math.log(prior) - 0.5 * float(freed @ freed) - float(np.log(np.diag(root)).sum())
            cases.append((log, moved, each, start, noise))
        wrong, tried = max(cases, key=lambda case: case[0])[2], []
        if len(wrong) <= size:
            break
    logs = np.array([case[0] for case in cases])
    chances = np.exp(logs - logs.max())
    chances /= chances.sum()
    return [
        (float(p), replace(start.updated(design, cents, noise), set_aside=tuple(latest.labels[i] for i in each)), moved)
        for p, (_, moved, each, start, noise) in zip(chances, cases, strict=True)
        if p > LEAST_CHANCE
    ]
