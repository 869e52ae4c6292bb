"""`ask`, `predict`, `pick` and `rehearse` as they are typed, and what a reed maker reads."""

from __future__ import annotations

import os
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.cli.typed_words import Typed, call
from tests.opened import lose_most_blanks, on
from trimfit.base.answers import Advice
from trimfit.base.errors import InputError
from trimfit.base.iso_dates import asked_s
from trimfit.base.records import Chanter, Order, Outcome, Reading, Reed
from trimfit.cli.ask import work_list
from trimfit.log.journal import Journal
from trimfit.session.order_progress import order_progress, progress_of
from trimfit.session.session import Session
from trimfit.verbs import other_orders
from trimfit.verbs.ask import ask_all
from trimfit.verbs.pick import pick
from trimfit.verbs.rehearse import rehearse_order
from trimfit.verbs.reviews.report import findings_of
from trimfit.verbs.sitting.sitting import sitting_on

DEMO_ORDER = "O-12"


@pytest.fixture
def demo(demo_log: Path, tmp_path: Path) -> Typed:
    """A copy of the learned demo shop."""
    return Typed(Path(shutil.copy(demo_log, tmp_path / "demo.trimfit")))


@pytest.fixture
def first_week(tmp_path: Path) -> Typed:
    """Three blanks, one of them with its crow read, and an order long overdue."""
    path = tmp_path / "log"
    with Journal(path, create=True) as journal:
        journal.append(Chanter("Old"))
        journal.append(Order("band", "Old", quantity=4, due_on="2001-12-20"))
        journal.append(Order("later", "Old", quantity=2))
        for name in ("1", "2", "10"):
            journal.append(Reed(name, "moulded", "A", order="band"))
        journal.append(Reading("2", "2026-03-01", "Old", 523.0))
    return Typed(path)


def test_the_work_list_says_what_each_order_wants_and_what_was_never_read(first_week: Typed) -> None:
    with Journal(first_week.log) as journal:
        journal.append(Outcome("1", "2026-03-02", "lost"))
    lines = first_week.say("ask", "--all").splitlines()
    assert lines[0] == "band in Old: 4 wanted by 2001-12-20, 1 lost, 2 in work (overdue)"
    assert lines[1] == "later in Old: 2 wanted, none in work"
    assert sorted(line.split()[:6] for line in lines[3:5]) == [
        ["band", "10", "read", "first", "-", "-"],
        ["band", "2", "read", "first", "-", "-"],
    ]
    assert lines[5].startswith("2 reeds, 2 with work left (2 of them not read yet), about ")
    (first, _) = first_week.json("ask", "--all")
    assert first["action"] == "read-again"
    assert isinstance(first["gap_now_cents"]["mean"], float)
    assert (first["reed_type"], first["batch"], first["due_on"], first["quantity"]) == ("moulded", "A", "2001-12-20", 4)


def test_a_sitting_for_an_order_goes_through_its_reeds_in_their_turn(first_week: Typed) -> None:
    def named(*names: str) -> list[str]:
        return list(on(first_week.log, sitting_on, names, scripted=True).reeds)

    in_turn = [advice.reed for advice in on(first_week.log, ask_all)]
    assert named("band") == in_turn
    assert sorted(in_turn) == ["1", "10", "2"]
    with Session(first_week.log) as session:
        assert sitting_on(session).bench.work() == in_turn
    with pytest.raises(InputError, match="no reed of order 'later' wants work"):
        named("later")
    with Journal(first_week.log) as journal:
        journal.append(Reed("band", "moulded", "A"))
    assert named("band", "2") == ["band", "2"]  # a reed's own name comes first


@pytest.mark.parametrize(
    ("day", "late"), [("2026-03-05", False), ("2026-04-01", False), ("2026-04-02", True), ("2027-03-31", True)]
)
def test_an_order_is_overdue_on_one_day_in_list_and_report(first_week: Typed, day: str, late: bool) -> None:
    """Was: the report asked by the day of the log's last entry, the list by today."""
    with Journal(first_week.log) as journal:
        journal.append(Order("spring", "Old", quantity=2, due_on="2026-04-01"))
        journal.append(Reed("s1", "moulded", "A", order="spring"))
    lines = [line for line in first_week.say("ask", "--all", "--at", day).splitlines() if line.startswith("spring in")]
    assert [line.endswith("(overdue)") for line in lines] == [late]
    shown = on(first_week.log, findings_of, at_s=asked_s(day)).orders
    assert [f"{one.order} in {one.chanter}: {one.progress}" for one in shown if one.order == "spring"] == lines


def test_the_headings_count_the_reeds_that_the_list_holds(first_week: Typed) -> None:
    """Was: with --at they counted reeds that were made later, and named orders that had none by then."""
    with Journal(first_week.log) as journal:
        journal.append(Order("spring", "Old", quantity=2))
        for name, made_on in (("s1", "2026-04-01"), ("s2", "2026-04-02")):
            journal.append(Reed(name, "moulded", "A", made_on=made_on, order="spring"))

    def headings(*at: str) -> list[str]:
        return [line for line in first_week.say("ask", "--all", *at).splitlines() if " wanted" in line]

    assert headings("--at", "2026-04-01T12:00")[0].startswith("band in Old: 4 wanted by 2001-12-20")
    assert headings("--at", "2026-04-01T12:00")[1:] == ["spring in Old: 2 wanted, 1 in work"]
    assert len(headings("--at", "2026-03-31")) == 1
    assert headings()[1:] == ["later in Old: 2 wanted, none in work", "spring in Old: 2 wanted, 2 in work"]


def test_an_order_counts_its_reeds_by_their_last_outcome(first_week: Typed) -> None:
    with Journal(first_week.log) as journal:
        journal.append(Outcome("1", "2026-03-03", "good"))
        journal.append(Outcome("1", "2026-03-02", "lost"))
        journal.append(Outcome("2", "2026-03-02", "to-stock"))
        band, later = order_progress(journal, "2001-12-20")
    assert (band.good, band.lost, band.to_stock, band.in_work, band.wanted, band.overdue) == (1, 0, 1, 1, 3, False)
    assert (later.wanted, later.is_open) == (2, True)


def test_an_order_is_open_until_what_was_wanted_is_there() -> None:
    order = Order("O", "Old", quantity=2, due_on="2026-01-01")
    assert progress_of(order, {"good": 1}, "2026-01-02").overdue
    done = progress_of(order, {"good": 2}, "2026-01-02")
    assert (done.is_open, done.overdue) == (False, False)
    open_ended = Order("O", "Old", due_on="2026-01-01")
    assert progress_of(open_ended, {}, "2026-01-02").is_open
    assert not progress_of(open_ended, {"good": 1}, "2026-01-02").is_open
    assert progress_of(open_ended, {"in work": 1}, "2026-01-02").overdue


def test_the_sum_names_reeds_given_up(demo_advice: list[Advice]) -> None:
    found = demo_advice
    given_up = [replace(found[0], action="no-fit"), replace(found[1], action="no-fit"), *found[2:]]
    assert any("2 no-fit" in line for line in work_list(given_up))
    nearly = replace(found[0], gap_now_cents=replace(found[0].gap_now_cents, mean=-0.2))  # type: ignore[type-var]
    assert not any("-0 " in line for line in work_list([nearly]))


def test_a_reed_may_be_asked_after_for_another_order(demo: Typed, demo_advice: list[Advice]) -> None:
    demo.say("log", "order", "elsewhere", "--chanter", "CH-03 old flat")
    reed = next(advice.reed for advice in demo_advice if advice.order == DEMO_ORDER)
    now = demo.json("ask", reed)
    assert now["order"] == DEMO_ORDER
    assert demo.json("ask", reed, "--at", os.environ["TRIMFIT_NOW"]) == now
    there = demo.json("ask", reed, "--order", "elsewhere")
    assert (there["order"], there["chanter"]) == ("elsewhere", "CH-03 old flat")
    assert demo.say("ask", reed, "--order", "elsewhere").startswith("as if for elsewhere, in CH-03 old flat:\n")
    with pytest.raises(InputError, match="not in the log"):
        demo.say("ask", reed, "--order", "nonesuch")


def test_where_else_a_reed_might_go(demo: Typed, demo_advice: list[Advice]) -> None:
    past = next(advice.reed for advice in demo_advice if advice.action == "past")
    places = demo.json("ask", past, "--others")
    assert {"CH-03 old flat", "CH-07 plain", "CH-18 spare"} <= {place["chanter"] for place in places}
    own = next(place for place in places if place["order"] == DEMO_ORDER)
    assert "too sharp for it already" in own["remark"]
    chances = [round(place["chance_good"], 2) for place in places]
    assert chances == sorted(chances, reverse=True)
    assert "its own order" in demo.say("ask", past, "--others")


@pytest.mark.parametrize(
    ("sharp", "said"), [(0.4, ""), (0.6, "may be too sharp for it already"), (0.95, "too sharp for it already")]
)
def test_a_reed_is_called_too_sharp_no_surer_than_it_is_and_never_where_it_is_finished(
    demo: Typed, demo_advice: list[Advice], monkeypatch: pytest.MonkeyPatch, sharp: float, said: str
) -> None:
    real = other_orders.forecast_of
    monkeypatch.setattr(other_orders, "forecast_of", lambda *of: [replace(one, sharp=sharp) for one in real(*of)])
    asked = next(one for one in demo_advice if one.order == DEMO_ORDER)

    def sharpness(order: str | None) -> list[str]:
        (place,) = (one for one in on(demo.log, other_orders.elsewhere, asked.reed) if one.order == order)
        return [one for one in place.remark.split("; ") if "too sharp" in one]

    assert sharpness(DEMO_ORDER) == sharpness("O-11") == [said] * bool(said)
    monkeypatch.setattr(other_orders, "advise", lambda *_: replace(asked, action="finished"))
    assert sharpness(DEMO_ORDER) == []
    assert sharpness("O-11") == [said] * bool(said)


def test_a_run_asks_only_for_what_is_still_wanted(demo: Typed) -> None:
    run = demo.json("rehearse", DEMO_ORDER)
    assert (run["wanted"], run["done_good"], run["reeds"]) == (24, 5, 19)
    assert run["to_start"] == max(run["blanks_for_quantity"] - run["in_hand"], 0)
    said = demo.say("rehearse", DEMO_ORDER)
    assert said.startswith(f"O-12: 24 wanted; 5 good, {run['in_hand']} in hand; 19 still wanted\n")
    assert 0.85 < run["chance_enough"] < 1.0
    # the words that pick has, too: how many it is short, and why more are to be started
    short = 19 - run["in_hand"]
    fail = f"; expect some of the {run['in_hand']} in hand (1 past already) to fail" if run["to_start"] > short else ""
    sure = f"({100 * run['chance_enough']:.0f} % sure)"
    assert f"you are {short} short{fail}: start {run['to_start']} {sure}" in " ".join(said.split())
    listed = demo.say("pick", DEMO_ORDER)
    assert f"O-12: you are {short} short{fail}: start" in " ".join(listed.split())
    assert "\n------" in listed
    assert "above the line: start these\n" in listed


def test_a_run_without_evidence_is_refused(first_week: Typed) -> None:
    with pytest.raises(InputError, match="read three blanks in the chanter first"):
        first_week.say("rehearse", "band")


def test_pick_and_rehearse_agree_and_say_that_the_chanter_was_never_read(demo: Typed) -> None:
    with Journal(demo.log) as journal:
        lose_most_blanks(journal)
    demo.say("log", "chanter", "Band", "--at-hand", "yes")
    demo.say("log", "order", "X", "--chanter", "Band", "--quantity", "3", "--target-pitch", "474")
    word = "chanter Band was never read with F and E: read three blanks in it first"
    run = on(demo.log, rehearse_order, "X")
    blanks = on(demo.log, pick, "X")
    chosen = blanks[: run.to_start or 3]
    mean = sum(blank.chance_good for blank in chosen) / len(chosen)
    assert mean == pytest.approx(run.good, abs=1e-9)
    asked = demo.json("ask", blanks[0].reed, "--order", "X")
    assert (asked["chance_within"], asked["trims_left"]) == pytest.approx(
        (blanks[0].chance_good, blanks[0].trims), abs=1e-3
    )
    assert run.notes == (word,)
    lines = demo.say("pick", "X").splitlines()
    assert lines[0] == word
    assert f"{len(blanks)} free blanks, the fewest minutes first" in "\n".join(lines)
    assert f"X: {run.shortage}" in " ".join(" ".join(lines).split())
    assert run.shortage.startswith("you are 3 short")
    assert run.shortage.endswith(f": start {run.to_start}" if run.to_start else "the pitch ordered or the chanter")


def test_a_run_with_no_good_reed_is_told_without_false_certainty(demo: Typed) -> None:
    demo.say("log", "order", "X", "--chanter", "CH-07 plain", "--quantity", "3", "--target-pitch", "490")
    said = demo.say("rehearse", "X")
    assert "good under 0.1 %" in said
    assert "more reeds hardly help: in CH-07 plain a usual reed" in said
    assert "blanks for" not in said


def test_blanks_are_put_to_an_order_with_one_word(demo: Typed) -> None:
    with Journal(demo.log) as journal:
        lose_most_blanks(journal)
        stored = Reed("S-1", "broad cane", "B-02", order="O-01")
        journal.append(stored)
        journal.append(Outcome("S-1", "2026-03-01", "to-stock"))
    demo.say("log", "order", "X", "--chanter", "CH-07 plain", "--quantity", "3")
    blanks = on(demo.log, pick, "X")
    assert "S-1" in {blank.reed for blank in blanks}
    *first, last = (blank.reed for blank in blanks)
    said = demo.say("pick", "X", "--take", str(len(first)))
    assert said.startswith("to X now: ")
    with Journal(demo.log) as journal:
        assert {name for name, reed in journal.reeds().items() if reed.order == "X"} == {*first}
    with pytest.raises(InputError, match="only 1 blank is free"):
        demo.say("pick", "X", "--take", "2")
    demo.say("pick", "X", "--take", "1")
    with Journal(demo.log) as journal:
        assert journal.reeds()[last].order == "X"
        assert journal.of_reed("S-1").outcome is None


def test_a_reading_may_be_foretold_in_another_chanter_and_air(demo: Typed) -> None:
    words = ("predict", "R-0339", "--length", "0.10")
    assert "leave --length and --lip out" in demo.refused("predict", "--plan", "cuts.csv", "--length", "0.10")
    (own,) = demo.json(*words)
    assert own["chanter"] == "CH-07 plain"
    (sharp,) = demo.json(*words, "--chanter", "CH-11 sharp solo")
    assert sharp["chanter"] == "CH-11 sharp solo"
    assert sharp["low_a_hz"]["mean"] > own["low_a_hz"]["mean"] + 2.0
    (hard,) = demo.json(*words, "--pressure", "8 kPa")
    assert hard["pressure_kpa"] == 8.0
    assert hard["high_a_hz"]["mean"] > own["high_a_hz"]["mean"]
    assert demo.say(*words, "--temperature", "25C").startswith("read in CH-07 plain, at ")
    with pytest.raises(InputError, match="is not in the log"):
        demo.say(*words, "--chanter", "CH-99")


def test_what_no_reading_can_be_is_not_predicted(demo: Typed) -> None:
    """As in a sitting, which says so of what to expect."""
    what = r"reed R-0356: no prediction: by what is logged E would be at an impossible 4\d\d Hz; "
    remedy = "say a length nearer to what was logged"
    assert re.fullmatch(what + remedy, demo.refused("predict", "R-0356", "--length", "3"))
    for option, most in (("--length", "15"), ("--lip", "200")):
        assert f"is out of bounds; give 0 to {most}" in demo.refused("predict", "R-0356", option, "250")


def test_learning_is_told_as_one_thing_that_only_goes_forward(small_log: Path, tmp_path: Path) -> None:
    from trimfit.verbs.learn import learn

    told: list[tuple[str, int, int]] = []
    on(Path(shutil.copy(small_log, tmp_path)), learn, progress=lambda *step: told.append(step))
    assert {step for step, _, _ in told} == {"learning from your log"}
    hundredths = [done for _, done, _ in told]
    assert hundredths == sorted(set(hundredths))
    assert (hundredths[-1], told[-1][2]) == (100, 100)


def test_a_log_named_after_the_verb_is_told_where_it_goes(tmp_path: Path) -> None:
    refused = call("ask", "R-1", "--log", tmp_path / "x")
    assert (refused.returncode, refused.stdout) == (2, "")
    assert call("--log", "", "check").stderr == "--log: the log's name is empty; name the file, or leave --log out\n"
    assert refused.stderr.startswith("trimfit ask: --log goes before the verb: trimfit --log PATH VERB; see")


def test_a_sitting_for_an_order_that_is_not_there_names_those_that_are(demo: Typed) -> None:
    with pytest.raises(InputError, match=r"no order or reed O-99; orders: O-11, O-12, O-13$"):
        on(demo.log, sitting_on, ["O-99"])
    assert list(on(demo.log, sitting_on, ["R-99"]).reeds) == ["R-99"]  # for `open` to refuse: no order begins so


@pytest.mark.parametrize(
    "words",
    [
        ("settings",),
        ("check",),
        ("learn",),
        ("ask", "R-0356", "--others"),
        ("ask", "--all"),
        ("log", "reading", "R-0315", "f=757.5", "e=705.1", "a=466", "A=933", "crow=C+3"),
        ("log", "trim", "R-0315", "--length", "0.1", "--at", "2025-01-01T10:00"),
    ],
)
def test_no_line_is_longer_than_a_terminal_of_80_columns(demo: Typed, words: tuple[str, ...]) -> None:
    said = demo.say(*words).splitlines()
    assert said
    assert [line for line in said if len(line) > 80] == []
