"""Whatever is typed, in whatever order: the sitting goes on, and its tally is what the log holds."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests.verbs.sitting.fakes import play, seated, shop_log

TYPED = st.one_of(
    st.sampled_from(
        [
            "", "y", "m", "s", "no", "n", "u", "r", "q", "w", "?", "ok", "good", "lost", "stock dented", "auto",
            "cents",
            "as_low_a", "reed R-1", "R-2", "R-9", "0.14", "1.4", "14", "lip 2", "0.1 asked 0.2", "t 21 C p 65mbar",
            "ch Otter", "ch Nobody", "ref 470", "f 771.1 e 711.6 a 470.2 A 940.1 crow C+22", "f 390.6 e 705",
            "f 702 e 779 a 470", "f -12c e +3c", "f 781 at 2026-01-01", "taped f", "f 0", "# note", "new",
            "fix 1 0.2", "fix 2 0.3", "strike", "781.2 705.3 469.8",
            "new N-1 type cane batch C-1", "remark only words",
        ]
    ),
    st.text(max_size=30),
)  # fmt: skip


@settings(max_examples=20, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@example(["R-1", "f 781 at 2026-01-01", "f 781 at 2026-01-01", "u"], True, False)
@example(["lost", "n", "good"], False, False)
@given(st.lists(TYPED, max_size=14), st.booleans(), st.booleans())
def test_the_tally_is_what_the_log_holds(lines: list[str], scripted: bool, learned: bool) -> None:
    predicted = {"f": (110.0, 2.0), "e": (115.0, 2.0)} if learned else None
    with tempfile.TemporaryDirectory() as folder, shop_log(Path(folder) / "bench.trimfit") as journal:
        sitting = seated(journal, predicted=predicted, scripted=scripted)
        said = [*sitting.open(), *play(sitting, *lines), *sitting.close()]
        tally = sitting.tally
        assert said[-1] == f"this sitting: {tally.line()}"
        assert journal.count("reading") == tally.readings
        assert journal.count("trim") == tally.cuts
        assert journal.count("outcome") == tally.good + tally.lost + tally.stock
        assert journal.count("strike") == tally.struck
        assert not any("\n" in line or "\x1b" in line for line in said)
