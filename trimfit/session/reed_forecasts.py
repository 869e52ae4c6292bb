"""The forecast of reeds of the log for aims: what `pick`, `allot`, `rehearse` and `ask` say of one reed in one
chanter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trimfit.base.units import Interval
    from trimfit.planner.aim import Aim, AimPosterior
    from trimfit.planner.choice import Choice
    from trimfit.planner.forecast import Forecast
    from trimfit.planner.policy_table import PolicyTable
    from trimfit.session.open_log import Bench, Seen


def still_wanted(posterior: AimPosterior, aim: Aim) -> Interval | None:
    """Length that has yet to come off a reed for its aim, mm (`length_wanted`, the blade's limit counted). None where
    it is not known: then no verb says how many cuts are left."""
    from trimfit.planner.chance_past import length_wanted

    return length_wanted(posterior, _room_mm(posterior, aim))


def blade_room_mm(posterior: AimPosterior, aim: Aim) -> float | None:
    """What the blade still lets come off, mm, where that is all that keeps what has yet to come off from being known:
    the mean of it is no less. None elsewhere."""
    from trimfit.planner.quantities import MOST_NEED_MM

    room_mm = _room_mm(posterior, aim)
    return room_mm if room_mm <= posterior.need_mm() < MOST_NEED_MM else None


def _room_mm(posterior: AimPosterior, aim: Aim) -> float:
    return max(aim.most_removed_mm - posterior.removed_mm, 0.0)


def forecast_of(bench: Bench, pairs: Sequence[tuple[Seen, Aim]]) -> list[Forecast]:
    """What working each of these reeds to its end for its aim gives, over all explanations of its latest readings."""
    from trimfit.planner.forecast import Case, forecasts, mixed
    from trimfit.session.evidence import decide, gap_readings, grounds

    cases: dict[int, tuple[PolicyTable, list[Case]]] = {}
    parts: list[tuple[PolicyTable, list[float]]] = []
    of_type: dict[int, PolicyTable] = {}
    for _, of_reed in groupby(pairs, key=lambda pair: id(pair[0])):
        mine = list(of_reed)
        seen, aims = mine[0][0], [aim for _, aim in mine]
        unread = not gap_readings(seen.history.readings, bench.model)
        longest_mm = bench.longest_cut_mm(seen.history.reed.record.reed_type)
        others = [one.chance for one in seen.explanations]
        states = [None, *(one.state for one in seen.explanations)]
        for aim, *each in zip(aims, *(bench.posteriors(seen, aims, state) for state in states), strict=True):
            if each[0].beyond_sd_cents:
                table = bench.policy(seen.type_code, each[0])
            else:
                if seen.type_code not in of_type:
                    of_type[seen.type_code] = bench.policy(seen.type_code)
                table = of_type[seen.type_code]
            parts.append((table, [1.0 - sum(others), *others]))
            cases.setdefault(id(table), (table, []))[1].extend(Case(one, aim, unread, longest_mm) for one in each)
    found = {key: iter(forecasts(mine, table, bench.rules())) for key, (table, mine) in cases.items()}
    out = [mixed(shares, [next(found[id(table)]) for _ in shares]) for table, shares in parts]
    for i, (seen, aim) in enumerate(pairs):
        order = seen.history.order
        if aim.worked_in and order is not None and order.chanter == aim.chanter:
            ground = grounds(bench, seen, aim)
            choice = decide(bench, seen, bench.posterior(seen, aim), aim, ground) if ground.gap_read else None
            if choice is not None and choice.action == "finished":
                out[i] = _as_finished(out[i], choice, bench)
            elif choice is not None and choice.action == "trim":
                out[i] = _no_less_past(out[i], choice.chance_past, bench)
    return out


def _no_less_past(forecast: Forecast, past: float, bench: Bench) -> Forecast:
    """A forecast with a chance of ending past that is no less than that after the cut advised, which counts how the
    reed may move until it is read again, too: nothing brings a reed back that is past."""
    more = past - forecast.past
    if more <= 0.0:
        return forecast
    good = forecast.good * (1.0 - past) / max(1.0 - forecast.past, 1e-9)
    return replace(forecast, good=good, past=past, minutes=forecast.minutes + more * bench.rules().lost_minutes)


def _as_finished(forecast: Forecast, choice: Choice, bench: Bench) -> Forecast:
    """The forecast of a reed of an order whose chanter is away that is finished by `ask`: no more comes off, and its
    chances are those of where it stands, not of its stop."""
    good, past = choice.chance_within, choice.chance_past_end
    minutes = past * bench.rules().lost_minutes + max(1.0 - good - past, 0.0) * bench.settings.cost_outside_minutes
    return replace(
        forecast, good=good, past=past, cuts=0.0, readings=0.0, need_mm=0.0, bench_minutes=0.0, minutes=minutes
    )
