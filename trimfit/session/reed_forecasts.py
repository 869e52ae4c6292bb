"""The forecast of reeds of the log for aims: what `pick`, `allot`, `rehearse` and `ask` say of one reed in one
chanter."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trimfit.base.units import Interval
    from trimfit.planner.aim import Aim, AimPosterior
    from trimfit.planner.forecast import Forecast
    from trimfit.planner.policy_table import PolicyTable
    from trimfit.session.open_log import Bench, Seen


def still_wanted(posterior: AimPosterior, aim: Aim) -> Interval | None:
    """Length that has yet to come off a reed for its aim, mm (`length_wanted`, the blade's limit counted). None where
    it is not known: then no verb says how many cuts are left."""
    from trimfit.planner.chance_past import length_wanted

    return length_wanted(posterior, max(aim.most_removed_mm - posterior.removed_mm, 0.0))


def forecast_of(bench: Bench, pairs: Sequence[tuple[Seen, Aim]]) -> list[Forecast]:
    """What working each of these reeds to its end for its aim gives, over all explanations of its latest readings."""
    from trimfit.planner.forecast import Case, forecasts, mixed
    from trimfit.session.evidence import gap_readings

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
    return [mixed(shares, [next(found[id(table)]) for _ in shares]) for table, shares in parts]
