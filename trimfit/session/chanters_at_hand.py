"""Which chanters are at the bench, which are away with their owners, where to work for one that is away, and what came
of the reeds that were sent to it; where E and F meet in a chanter, as far as more is known of it than a reed's own type
tells.

The meeting pitch belongs chiefly to the chanter. A type that has hardly been cut may meet anywhere by its own course;
other types that were trimmed to the end in the same chanter leave it a few hertz, and so, a few more, do the pitches
that chanters have at all. The information of each about the meeting pitch of a reed is 1/(variance +
REED_MEETING_CENTS²). The best of them stands in for what the reed's own type tells: what is added is how much more
information it has than that, so that nothing is counted twice.
"""

from __future__ import annotations

import re
from copy import copy
from dataclasses import dataclass, replace

import numpy as np

from trimfit.base.pitch import as_low_a_cents
from trimfit.base.records import Chanter, ReedHistory
from trimfit.log.journal import Journal
from trimfit.planner.aim import Aim, see
from trimfit.regression.chanters.kinds import ChanterFacts, facts_of
from trimfit.regression.chanters.sent_reeds import Came
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.outputs import GAP
from trimfit.regression.posterior.reed import known_coding, typical_state
from trimfit.regression.priors import MEETING_CENTS, REED_MEETING_CENTS

LIKE_CENTS = 1.0
"""Of chanters known to about this much alike, the one that a reed was last read in is kept."""
MOST_SENT = 12
"""So many of the reeds that went to a chanter last are counted."""
_CAME_BACK = re.compile(r"\b(?:came|come|comes|sent) back\b.*\b(flat|sharp)\b|\barrived (flat|sharp)\b", re.IGNORECASE)


class ChantersAtHand:
    """The chanters of a log, looked up as they are asked about."""

    def __init__(self, journal: Journal, model: FittedModel) -> None:
        self.journal, self.model = journal, model
        self._known: dict[str, Chanter | None] = {}
        self._read: dict[str, bool] = {}
        self._every: dict[str, Chanter] | None = None
        self._benches: dict[str, list[tuple[float, str]]] = {}
        self._meets: dict[tuple[int, str, float | None, ChanterFacts], tuple[float, float]] = {}
        self._hints: dict[tuple[int, str, float | None, Chanter | None], tuple[float, float]] = {}

    def chanter(self, name: str) -> Chanter | None:
        """What the log knows of a chanter."""
        if name not in self._known:
            found = self.journal.entry_of("chanter", name)
            self._known[name] = found.record if found is not None else None
        return self._known[name]

    def read(self, name: str) -> bool:
        """Whether any reed was ever read in this chanter with F and E both."""
        if name not in self._read:
            self._read[name] = self.journal.chanter_read(name)
        return self._read[name]

    def stated(self, name: str) -> bool:
        """Whether something besides readings tells of a chanter: a stated pitch or crow, or reeds sent to it."""
        found = self.chanter(name)
        words = found is not None and (found.meeting_pitch_hz is not None or found.working_crow_hz is not None)
        return words or self.worked_in(name) is not None

    def supposing(self, record: Chanter) -> ChantersAtHand:
        """The same chanters, one of them known as a record says."""
        other = copy(self)
        other._known = {**self._known, record.chanter: record}
        return other

    def away(self, name: str) -> bool:
        """Whether a chanter is with its owner: said so, or not said and no reed was ever read in it."""
        found = self.chanter(name)
        said = found.at_hand if found is not None else None
        return said == "no" or (said is None and not self.read(name))

    def supposed_away(self, name: str) -> bool:
        """Whether a chanter is taken to be away only because no reed was ever read in it."""
        found = self.chanter(name)
        return (found is None or found.at_hand is None) and self.away(name)

    def worked_in(self, name: str | None, last: str | None = None) -> str | None:
        """The chanter at hand in which to work for one that is away; None for one that is at hand, or where none is.

        The best known of its kind that reeds were read in, else the best known of all; for one that is said to be away
        even one that nobody read in, if it is not said to be away too; last: the chanter that the reed
        was last read in, which is kept where it is known as well.
        """
        if not name or not self.away(name):
            return None
        if name not in self._benches:
            self._benches[name] = self._ranked(name)
        ranked = self._benches[name]
        if not ranked:
            return None
        return next((one for sd, one in ranked if one == last and sd <= ranked[0][0] + LIKE_CENTS), ranked[0][1])

    def pitch_hint(self, aim: Aim, type_code: int) -> tuple[float, float]:
        """Mean (cents from 440 Hz) of the meeting pitch in the aim's chanter by what is known besides the reed's own
        type, and the information in that (1/cents²); (0, 0) where there is nothing to add."""
        if aim.chanter is None:
            return 0.0, 0.0
        key = type_code, aim.chanter, aim.pressure_kpa, self.chanter(aim.chanter)
        if key not in self._hints:
            self._hints[key] = self._hint(aim, type_code)
        return self._hints[key]

    def meets(self, aim: Aim) -> tuple[float, float]:
        """Where a typical reed meets in the aim's chanter: mean (cents from 440 Hz) and standard deviation by the type
        that tells it best, held to where chanters are (as `review chanters` has it). All reeds share it."""
        best = min((self._typical(aim, code) for code in range(self.model.n_types)), key=lambda m: m[1], default=None)
        if best is None:
            return MEETING_CENTS
        own, usual = (1.0 / sd**2 for _, sd in (best, MEETING_CENTS))
        return (own * best[0] + usual * MEETING_CENTS[0]) / (own + usual), (own + usual) ** -0.5

    def _hint(self, aim: Aim, type_code: int) -> tuple[float, float]:
        _, own_sd = self._typical(aim, type_code)
        others = [self._typical(aim, code) for code in range(self.model.n_types) if code != type_code]
        mean, sd = min([MEETING_CENTS, *others], key=lambda one: one[1])
        own, more = (1.0 / (value**2 + REED_MEETING_CENTS**2) for value in (own_sd, sd))
        return (mean, more - own) if more > own else (0.0, 0.0)

    def _typical(self, aim: Aim, type_code: int) -> tuple[float, float]:
        """Where a type's typical reed meets in the aim's chanter: mean and standard deviation, cents."""
        name = aim.chanter or ""
        record = self.chanter(name)
        fact = facts_of(record) if record is not None else ChanterFacts()
        key = (type_code, name, aim.pressure_kpa, fact)
        if key not in self._meets:
            types = self.model.coding.types
            coding = known_coding(self.model, types if type_code < len(types) else (*types, ""))
            state = typical_state(self.model, coding, type_code, name, fact)
            self._meets[key] = see(state, replace(aim, worked_in=None, spaced_cents=None), 0.0, 0.0).meeting()
        return self._meets[key]

    def _ranked(self, away: str) -> list[tuple[float, str]]:
        """Chanters to work in, best first, each with how well its gap is known (sd, cents)."""
        if self._every is None:
            self._every = self.journal.chanters()
        met = [name for name in self.model.coding.chanters if name]
        there = self.chanter(away)
        kind = there.kind if there is not None else None
        kin = [name for name, one in self._every.items() if kind and one.kind == kind]
        for names in (kin, met, list(self._every)):
            at_hand = [name for name in names if name != away and not self.away(name)]
            read = [name for name in at_hand if self.read(name)] or (at_hand if names is not met else [])
            if read:
                return sorted((round(self._gap_sd(name), 3), name) for name in read)
        if self.supposed_away(away):
            return []
        # one of which nobody said where it is, rather than the one that is said to be away
        maybe = [name for name in (*kin, *self._every) if self.supposed_away(name)]
        return [(round(self._gap_sd(name), 3), name) for name in maybe]

    def _gap_sd(self, name: str) -> float:
        """How well the fitted model knows a chanter's part in the gap, cents; as a chanter never met where it has no
        room for it."""

        names = self.model.coding.chanters
        cov = self.model.chanter_cov
        if name in names:
            at = self.model.chanter_slice(names.index(name))
            cov = self.model.coef_cov[at, at]
        pick = np.concatenate([GAP, GAP])
        return float(np.sqrt(max(float(pick @ cov @ pick), 0.0)))


@dataclass(frozen=True, slots=True)
class SentAway:
    """A reed that was sent: its type, the chanter of its last reading, the gap read there (cents), what came of it."""

    reed_type: str
    read_in: str
    gap_cents: float
    came: Came


def sent_away(journal: Journal, chanter: str, until_s: float | None) -> list[SentAway]:
    """The last MOST_SENT reeds that were sent to a chanter and of which something came; until_s: as of then."""
    names = journal.reeds_sent_to(chanter, MOST_SENT)
    histories = journal.of_reeds(names, until_s=until_s) if names else []
    return [one for history in histories if (one := _came_of(history, chanter, journal)) is not None]


def _came_of(history: ReedHistory, chanter: str, journal: Journal) -> SentAway | None:
    """What came of one reed; None where nothing did, or where it was not read as it left."""
    came: Came | None = None
    left_s = 0.0
    outcome = history.outcome
    remarks = [(one.at_s, f"{one.record.event} {one.record.remark or ''}") for one in history.events]
    if outcome is not None:
        remarks.append((outcome.at_s, outcome.record.remark or ""))
        if outcome.record.outcome == "good":
            came, left_s = "good", outcome.at_s
    for at_s, text in sorted(remarks):
        if found := _CAME_BACK.search(text):
            came, left_s = "flat" if "flat" in (found[1] or found[2]).lower() else "sharp", at_s
            break
    read = [one for one in history.readings if one.at_s <= left_s and {"e", "f"} <= set(one.record.notes_hz)]
    if came is None or not read:
        return None
    last = read[-1]
    if not last.record.chanter or last.record.chanter == chanter:
        return None
    if any(last.at_s < trim.at_s <= left_s for trim in history.trims):
        return None
    notes, scale = last.record.notes_hz, journal.scale()
    gap = as_low_a_cents("f", notes["f"], scale) - as_low_a_cents("e", notes["e"], scale)
    return SentAway(history.reed.record.reed_type, last.record.chanter, gap, came)
