"""Chanters that are away: benches with chanters in kinds, reeds worked in a chanter at hand, and what they were there.

A bench has chanters of its own in kinds; each order is for a chanter of one of the kinds that nobody brings. What its
owner states of it is one of TOLD. `played` asks the tool through a real log and obeys it; nothing but its answers says
what to do. `gaps` plays nothing: the gap of a reed in many chanters that are away, after two readings in one at hand,
as the fitted model has it and as a filter has it that knows the population.

`python -m tests.worlds.away` prints the page reports/away.md.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from tests.opened import on
from tests.worlds.physics import SIDE_NOTES, Array, Kind, Pipe
from tests.worlds.population import (
    GAUGE_MIDDLE_MM,
    GAUGE_MM_PER_CENT,
    GAUGE_SD_MM,
    STATED_CROW_CENTS,
    STATED_PITCH_CENTS,
    TYPE_SD,
    USUAL_PITCH_CENTS,
    WITHIN,
    Stated,
    all_known,
    asked_crow_cents,
    gap_shift_cents,
    known_by_log,
)
from tests.worlds.shop import LiveReed, Shop, World, shop_of, trim_by_hand
from tests.worlds.tool import LoggedReeds, advised, new_log
from trimfit.base.pitch import hz_from_cents
from trimfit.base.records import Chanter
from trimfit.log.journal import Journal
from trimfit.regression.chanters.kinds import facts_of
from trimfit.regression.design import rows_from_frame
from trimfit.regression.outputs import GAP
from trimfit.regression.posterior.reed import batch_states, known_coding
from trimfit.session.fit import kept_model
from trimfit.session.order_progress import order_named
from trimfit.session.reed_forecasts import forecast_of
from trimfit.session.session import Session
from trimfit.verbs.pick import in_work, seen_of, sending_of

__all__ = ["BENCHES", "TOLD", "Sent", "gaps", "gaps_table", "kept_log", "played", "played_table"]

TOLD = ("kind", "crow", "crow of a type unsaid", "crow and pitch", "gauge")
TOLERANCE_CENTS = 3.7
KINDS, AT_HAND_OF_KIND = 4, 5
FILTERS = ("all known", "chanters by log", "all by log")
MOST_ROUNDS = 12
DRAWS = 400
HEAD = """# Chanters that are away

Invented benches whose chanters are made in four kinds, five of each at hand. Other chanters of these kinds are with
their owners, who state nothing but the kind, or the crow of a usual reed that works there (± 10 cents; of any of the
three types, which he names or does not), or crow and meeting pitch (± 3), or the maker has gauged the bore. Within a
kind chanters differ by 6 cents of meeting pitch and 14 of asked crow.

*The gap there.* A reed is read twice in a chanter at hand: root mean square of the gap that is then stated in the
chanter that is away, less the true one; and the same of a filter that knows the physics, how reeds, chanters and kinds
differ and the errors of what is stated. *All known*: it knows the kinds' means, the types and the chanters at hand too.
*Chanters by log*: those at hand as readings of the same log tell them. *All by log*: kinds and types too are what that
log tells. Errors of ratios are standard errors, each chanter by itself (bootstrap); the eighty of a log share its luck.

*Played.* Each reed is asked after, cut and read in the chanter that `here` names, until the answer is finished, past or
no-fit; then its gap in the chanter it was for is looked up. *within*, *past*: the chance stated with that last answer,
and how often it was so (± one standard error in points, were the chances right and the reeds apart). *enough within*:
of several reeds sent to an order as many as it wants were, beside the chance stated before any was cut; 95 %
interval of Wilson."""


@dataclass(frozen=True)
class Bench:
    """How kinds of chanters differ: standard deviations of their means, meeting pitch and asked crow, cents."""

    name: str
    physics: str
    kind_pitch_cents: float
    kind_crow_cents: float


BENCHES = (
    Bench("kinds as usual", "multiplicative", 12.0, 25.0),
    Bench("kinds hardly differ", "saturating", 1.0, 2.0),
    Bench("kinds differ much", "beam", 25.0, 60.0),
)


@dataclass(frozen=True)
class Made:
    """A chanter of a kind: meeting pitch and asked crow from the kind's, errors of what its owner states of them, its
    gauge, and the type of the reed whose crow he states."""

    pipe: Pipe
    kind: int
    own_cents: Array  # (2,)
    error_cents: Array  # (2,)
    gauge_mm: float
    played: Kind


class Place:
    """A bench made: its world, the kinds' means, its chanters, and the log of its past."""

    def __init__(self, bench: Bench, seed: int, past: int) -> None:
        self.bench, self.seed, self.rng = bench, seed, np.random.default_rng([seed, 20_261_128])
        self.world = World(bench.physics, self.rng, pipes=2)
        spread = np.array([bench.kind_pitch_cents, bench.kind_crow_cents])
        self.means = self.rng.standard_normal((KINDS, 2)) * spread
        self.own = [
            self.made(f"CH-{kind + 1}{chr(97 + i)}", kind) for kind in range(KINDS) for i in range(AT_HAND_OF_KIND)
        ]
        self.world.physics.pipes = tuple(made.pipe for made in self.own)
        self.shop: Shop = shop_of(self.world, self._past_reeds(past), outcomes=True)
        self.shop.chanters = pd.DataFrame([self.row(made, "at hand") for made in self.own])

    def made(self, name: str, kind: int | None = None) -> Made:
        """A chanter of a kind, or of any."""
        rng = self.rng
        number = int(rng.integers(KINDS)) if kind is None else kind
        own = np.linalg.cholesky(WITHIN) @ rng.standard_normal(2)
        pitch, crow = self.means[number] + own
        pipe = self._pipe(name, USUAL_PITCH_CENTS + pitch, crow, rng.normal(0.0, 3.5, len(SIDE_NOTES)))
        error = np.array([STATED_PITCH_CENTS, STATED_CROW_CENTS]) * rng.standard_normal(2)
        gauge = GAUGE_MIDDLE_MM + GAUGE_MM_PER_CENT * pitch + GAUGE_SD_MM * rng.standard_normal()
        types = self.world.physics.kinds
        return Made(pipe, number, own, error, gauge, types[int(rng.integers(len(types)))])

    def _pipe(self, name: str, pitch: float, crow: float, lean: Array) -> Pipe:
        shifts = {kind.name: float(gap_shift_cents(kind, crow)) for kind in self.world.physics.kinds}
        return Pipe(name, pitch, shifts, lean)

    def _past_reeds(self, count: int) -> list[LiveReed]:
        """A history in which each reed of a batch went to some chanter of the bench."""
        reeds = self.world.new_reeds(self.rng, count, len(self.world.physics.kinds) * 14)
        for index, reed in enumerate(reeds):
            reed.pipe = self.world.physics.pipes[int(self.rng.integers(len(self.own)))]
            reed.day = float(index // 12) * 4.0 + 0.7
            trim_by_hand(self.rng, reed)
        return reeds

    def _said_crow(self, made: Made) -> float:
        return asked_crow_cents(self.world.physics, made.played, made.pipe) + float(made.error_cents[1])

    def row(self, made: Made, told: str) -> dict[str, object]:
        """What the log knows of a chanter, of which something is told, or which is at hand."""
        at_hand = told == "at hand"
        row: dict[str, object] = {"chanter": made.pipe.name, "kind": f"kind {made.kind + 1}"}
        row |= {"at_hand": "yes" if at_hand else "no"}
        row["bore_gauge_mm"] = round(made.gauge_mm, 2) if at_hand or told == "gauge" else None
        row["working_crow_hz"] = round(hz_from_cents(self._said_crow(made)), 2) if "crow" in told else None
        row["working_crow_type"] = made.played.name if "crow" in told and "unsaid" not in told else None
        if "pitch" in told:
            pitch = self.world.physics.meeting_pitch_cents(made.played, made.pipe) + float(made.error_cents[0])
        row["meeting_pitch_hz"] = round(hz_from_cents(pitch), 2) if "pitch" in told else None
        return row

    def stated(self, made: Made, told: str) -> Stated:
        """The same as the filter has it."""
        types = self.world.physics.kinds
        return Stated(
            float(self.means[made.kind][0] + made.own_cents[0] + made.error_cents[0]) if "pitch" in told else None,
            (made.gauge_mm - GAUGE_MIDDLE_MM) / GAUGE_MM_PER_CENT if told == "gauge" else None,
            self._said_crow(made) if "crow" in told else None,
            tuple(number for number, kind in enumerate(types) if "unsaid" in told or kind is made.played),
        )


def gaps(place: Place, path: Path, chanters: int) -> pd.DataFrame:
    """Errors (cents) of the gap in so many chanters that are away, for each of TOLD: the fitted model's, those of the
    three FILTERS, and the standard deviation that is stated."""
    physics, means = place.world.physics, place.means
    with Journal(path) as journal:
        model = kept_model(journal)
    assert model is not None
    own = np.array([means[made.kind] + made.own_cents for made in place.own])
    bench = [made.pipe for made in place.own], np.array([made.kind for made in place.own])
    apart = np.array([place.bench.kind_pitch_cents, place.bench.kind_crow_cents])
    kinds_known, kinds_not = (means, 1e-3 * np.ones(2)), (np.zeros_like(means), apart)
    filters = (
        all_known(physics, means, own),
        known_by_log(physics, place.shop.frame, *bench, kinds_known),
        known_by_log(physics, place.shop.frame, *bench, kinds_not, TYPE_SD),
    )
    found = []
    for number in range(chanters):
        far = place.made(f"far {number + 1}")
        physics.pipes = (*(made.pipe for made in place.own), far.pipe)
        at = AT_HAND_OF_KIND * far.kind + int(place.rng.integers(AT_HAND_OF_KIND))
        here, kind = place.own[at], physics.kinds[number % len(physics.kinds)]
        (reed,) = place.world.new_reeds(place.rng, 1, 1, reed_type=kind.name)
        reed.pipe, reed.day = here.pipe, 400.0
        reed.removed_mm = round(max(reed.true_trim_mm(), 0.0), 2)
        for _ in range(2):
            reed.read(place.rng)
        rows, types, names = rows_from_frame(reed.frame(), model.coding)
        true = reed.true_gap_cents(far.pipe.name)
        for told in TOLD:
            fact = facts_of(Chanter(**place.row(far, told)))  # type: ignore[arg-type]
            states, _, _ = batch_states(
                model, rows, known_coding(model, types), int(rows.type_code[0]),
                in_fit=np.zeros(len(rows), dtype=bool), extra_chanters=[len(names)],
                chanter_names=(*names, far.pipe.name), facts={len(names): fact},
            )  # fmt: skip
            both = [GAP @ states[0].design(reed.removed_mm, 0.0, name) for name in (far.pipe.name, here.pipe.name)]
            mean, cov = states[0].outputs(np.array(both))
            stated = place.stated(far, told)
            shifts = [gap_shift_cents(kind, one.crow_away(far.kind, stated) - one.crow_at_hand(at)) for one in filters]
            there = np.array([mean[0], *(mean[1] + np.array(shifts))]) - true
            found.append((told, *there, float(np.sqrt(cov[0, 0]))))
    return pd.DataFrame(found, columns=["told", "tool", *FILTERS, "sd"])


def gaps_table(found: pd.DataFrame) -> pd.DataFrame:
    """One row for each of TOLD: errors, the ratios to those of the two filters, and what is stated."""
    rows, rng = [], np.random.default_rng(1)
    for told in TOLD:
        mine = found[found["told"] == told]
        squares = mine[["tool", *FILTERS]].to_numpy() ** 2
        error = np.sqrt(squares.mean(axis=0))
        again = np.sqrt(squares[rng.integers(len(squares), size=(DRAWS, len(squares)))].mean(axis=1))
        ratio, se = error[0] / error[1:], (again[:, :1] / again[:, 1:]).std(axis=0)
        rows.append(
            {
                "stated": _words(told),
                "chanters": len(mine),
                "error, cents": f"{error[0]:.1f}",
                "stated sd": f"{np.sqrt((mine['sd'] ** 2).mean()):.1f}",
                **{
                    column: text
                    for i, name in enumerate(FILTERS)
                    for column, text in (
                        (name, f"{error[i + 1]:.1f}"),
                        (f"ratio to {name}", f"{ratio[i]:.2f} ± {se[i]:.2f}"),
                    )
                },
                "within 90 %, %": f"{100.0 * np.mean(np.abs(mine['tool']) <= 1.6449 * mine['sd']):.0f}",
            }
        )
    return pd.DataFrame(rows)


@dataclass
class Sent:
    """One reed's story: what was stated at the end, and what the gap was there."""

    order: str
    told: str
    cuts: int = 0
    readings: int = 0
    action: str = "unfinished"
    chance_within: float = math.nan
    chance_past: float = math.nan
    gap_there_cents: float = math.nan
    wanted: int = 1
    chance_enough: float = math.nan


def kept_log(place: Place, path: Path, each: int = 0, quantity: int = 1) -> dict[tuple[str, int], Made]:
    """Keep the bench's log, learned from, with `each` orders of so many reeds for each of TOLD; what they are for."""
    far = {(told, i): place.made(f"{told} {i + 1}") for told in TOLD for i in range(each)}
    shop = place.shop
    rows = [place.row(made, told) for (told, _), made in far.items()]
    shop.chanters = pd.concat([shop.chanters, pd.DataFrame(rows)])
    wanted = [
        {"order": f"O-{made.pipe.name}", "chanter": made.pipe.name, "quantity": quantity} for made in far.values()
    ]
    shop.orders = pd.concat([shop.orders, pd.DataFrame(wanted)])
    new_log(path, shop)
    return far


def chance_of_enough(session: Session, order_name: str) -> float:
    """What is stated of an order before its reeds are cut: that those put to it are enough."""
    order = order_named(session.journal, order_name)
    bench = session.bench(None)
    seen = seen_of(bench, in_work(session.journal, order, None), order)
    cases = forecast_of(bench, [(one, bench.aim(one, order)) for one in seen])
    sending = sending_of(bench, order, list(zip(seen, cases, strict=True)), int(order.quantity or 1), len(seen))
    return sending.chance_enough if sending is not None else math.nan


def played(place: Place, path: Path, far: dict[tuple[str, int], Made], sent: int, wanted: int = 1) -> list[Sent]:
    """Play the orders of a kept log, which want so many, `sent` reeds being put to each."""
    place.world.physics.pipes = (*(made.pipe for made in place.own), *(made.pipe for made in far.values()))
    types = place.world.physics.kinds
    waiting: dict[str, tuple[LiveReed, Sent]] = {}
    for number, kind in enumerate(types):
        mine = list(far.items())[number :: len(types)]
        blanks = place.world.new_reeds(place.rng, len(mine) * sent, reed_type=kind.name)
        for i, reed in enumerate(blanks):
            (told, _), made = mine[i % len(mine)]
            reed.pipe, reed.day = made.pipe, 400.0
            waiting[reed.reed] = reed, Sent(f"{place.seed}: {made.pipe.name}", told, wanted=wanted)
    stories = [story for _, story in waiting.values()]
    bench = LoggedReeds(path, [reed for reed, _ in waiting.values()])
    if sent > wanted:
        stated = {
            f"{place.seed}: {made.pipe.name}": on(path, chance_of_enough, f"O-{made.pipe.name}")
            for made in far.values()
        }
        for story in stories:
            story.chance_enough = stated[story.order]
    for _ in range(MOST_ROUNDS):
        day = max(reed.day for reed, _ in waiting.values())
        found = advised(path, day)
        for name, (reed, story) in list(waiting.items()):
            advice = found[name]
            if advice.action in ("finished", "past", "no-fit"):
                story.action = advice.action
                story.chance_within, story.chance_past = float(advice.chance_within or 0.0), advice.chance_past
                story.gap_there_cents = reed.true_gap_cents()
                del waiting[name]
                continue
            reed.day = day
            if advice.action == "trim":
                reed.cut(place.rng, advice.length_mm, advice.lip_strokes)
                story.cuts += 1
            assert advice.here is not None, advice.why
            reed.read(place.rng, advice.here["chanter"])
            story.readings += 1
        bench.tell()
        if not waiting:
            break
    return stories


def played_table(sent: Sequence[Sent]) -> pd.DataFrame:
    """One row for each of TOLD: stated chances beside what happened, and the work on a reed; where more were sent to
    an order than it wants, in how many enough were within."""
    rows = []
    for told in (*TOLD, ""):
        mine = [one for one in sent if told in ("", one.told)]
        done = [one for one in mine if one.action != "unfinished"]
        there = np.array([one.gap_there_cents for one in done])
        each: dict[str, list[Sent]] = {}
        for one in mine:
            each.setdefault(one.order, []).append(one)
        row = {
            "stated": _words(told),
            "reeds": len(mine),
            "within %": _beside([one.chance_within for one in done], np.abs(there) <= TOLERANCE_CENTS),
            "past %": _beside([one.chance_past for one in done], there > TOLERANCE_CENTS),
            "cuts": f"{np.mean([one.cuts for one in mine]):.2f}",
            "readings": f"{np.mean([one.readings for one in mine]):.2f}",
            "unfinished": len(mine) - len(done),
        }
        if len(each) < len(mine):
            good = [sum(abs(one.gap_there_cents) <= TOLERANCE_CENTS for one in reeds) for reeds in each.values()]
            met = sum(many >= reeds[0].wanted for many, reeds in zip(good, each.values(), strict=True))
            low, high = proportion_confint(met, len(each), method="wilson")
            stated = 100.0 * np.mean([reeds[0].chance_enough for reeds in each.values()])
            row["enough within"] = f"{stated:.0f} % stated, {met} of {len(each)} orders"
            row["%, 95 %"] = f"{100.0 * low:.0f} to {100.0 * high:.0f}"
        rows.append(row)
    return pd.DataFrame(rows)


def _words(told: str) -> str:
    return {"kind": "kind alone", "": "all"}.get(told, told)


def _beside(stated: Sequence[float], happened: np.ndarray) -> str:
    """A stated chance beside what happened, per cent, and the standard error of that if the chances are right."""
    p = np.array(stated)
    error = 100.0 * float(np.sqrt(np.sum(p * (1.0 - p)))) / len(p)
    return f"{100 * p.mean():.0f} stated, {100 * happened.mean():.0f} ± {error:.0f}"


def as_table(frame: pd.DataFrame) -> str:
    """A frame as a table of the page."""
    rows = [list(frame.columns), ["---"] * len(frame.columns), *frame.astype(str).to_numpy().tolist()]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)


def main() -> None:
    """Make the benches and print the page."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=1, help="shops a bench")
    parser.add_argument("--past", type=int, default=360, help="reeds of a shop's past")
    parser.add_argument("--bench", default="", help="benches whose name has this word")
    parser.add_argument("--chanters", type=int, default=0, help="chanters a shop whose gap is stated, nothing played")
    parser.add_argument("--orders", type=int, default=0, help="orders a shop for each of what is stated, played")
    parser.add_argument("--sent", type=int, default=1, help="reeds sent to an order")
    parser.add_argument("--wanted", type=int, default=1, help="reeds that an order wants")
    chosen = parser.parse_args()
    print(f"{HEAD}\n\nMade by `python -m tests.worlds.away {' '.join(sys.argv[1:])}`.\n", flush=True)
    for bench in BENCHES:
        if chosen.bench not in bench.name:
            continue
        found, sent = [], []
        for seed in range(chosen.seeds):
            with tempfile.TemporaryDirectory() as folder:
                place, path = Place(bench, seed, chosen.past), Path(folder) / "log.trimfit"
                far = kept_log(place, path, chosen.orders, chosen.wanted)
                if chosen.chanters:
                    found.append(gaps(place, path, chosen.chanters))
                if far:
                    sent += played(place, path, far, chosen.sent, chosen.wanted)
        print(f"## {bench.name[0].upper()}{bench.name[1:]}\n", flush=True)
        if found:
            print(f"{as_table(gaps_table(pd.concat(found)))}\n", flush=True)
        if sent:
            print(f"{as_table(played_table(sent))}\n", flush=True)


if __name__ == "__main__":
    main()
