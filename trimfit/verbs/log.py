"""One entry logged, revised or taken back: durable when the answer is given, with what is doubtful about it.

This is the path with a reed in one hand: it loads as little as it can.
"""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from trimfit.base.errors import InputError, TrimfitError, short
from trimfit.base.plain_words import counted
from trimfit.base.records import Chanter, Doubt, Event, Order, Outcome, Reading, Reed, ReedHistory, Trim

if TYPE_CHECKING:
    from trimfit.log.journal import Journal
    from trimfit.session.session import Session

T = TypeVar("T")
Verdict = Literal["keep", "wrong", "moved"]
"""What is said of a doubt about an entry that is in the log."""
TAKEN_BACK = "taken back"
"""Why an entry is struck, where nobody says."""
AFTER_EVENT = "F and E may stand anywhere now: read it before the next cut"
"""What holds of a reed after an event."""
SAY_AT_HAND = "say --at-hand yes"
MOST_IDS = 30
"""So many reeds logged at once are listed by their ids."""
SAY_CROW = "say the crow too, as --working-crow C+22"
"""What to do for a chanter that is at the bench; a form says it in its own words."""


@dataclass(frozen=True, slots=True)
class EntryResult:
    """What became of one entry: its id, whether the log is the longer for it, and what is doubtful about it.

    `instead_of`: the entry that it revises, struck in the same breath. `note`: a thing worth saying that is no doubt.
    `read`: what was understood of a reading, in words. `entries`: the ids of all, where many were logged at once.
    `remedy`: the words of the command that puts all of them right.
    `taken_back`: it was in doubt, found wrong, and is struck. `follows`: the reed's entry before a reading in doubt.
    """

    entry: str
    kind: str
    about: str
    new: bool = True
    doubts: tuple[Doubt, ...] = ()
    instead_of: str | None = None
    note: str = ""
    read: str = ""
    entries: tuple[str, ...] = ()
    remedy: tuple[str, ...] = ()
    taken_back: bool = False
    follows: str = ""


Saved = Callable[[EntryResult], None]
Ask = Callable[[Sequence[Doubt]], Verdict]


class Doubtful(Exception):
    """Something to log that is in doubt, where the caller wanted to know of it before: nothing was logged."""

    def __init__(self, doubts: Sequence[Doubt], *, measured: bool = False) -> None:
        """measured: it is a reading, which is kept and marked where nobody answers."""
        self.doubts, self.measured = tuple(doubts), measured
        super().__init__(*(doubt.sentence for doubt in self.doubts))


def log_reading(
    session: Session,
    reed: str,
    words: Sequence[str],
    *,
    at: str | None = None,
    after: str | None = None,
    chanter: str | None = None,
    pressure: str | None = None,
    temperature: str | None = None,
    humidity: str | None = None,
    taped: str | None = None,
    remark: str | None = None,
    sure: bool = True,
    saved: Saved | None = None,
    ask: Ask | None = None,
) -> EntryResult:
    """Log a reading said in words such as `f=782.1 crow=C+22`; options override what the words say.

    Numbers alone are taken in the shop's order (`line_order`). Without a chanter it is the one of the reed's order (the
    one it is worked in where that is away), else the one it was last read in, else the only one in the log. `sure`
    false: what is in doubt by the reading itself is not logged, and raises Doubtful. Then it is saved, `saved` is
    called with it, and it is held against what was predicted: what is in doubt then is kept as marks, unless `ask` is
    given and says otherwise. Raises InputError with a fault for each word that says nothing.
    """
    from trimfit.base.errors import command
    from trimfit.base.units import parse_pct, parse_pressure_kpa, parse_temperature_c
    from trimfit.entry.checks import plain_reading_doubts
    from trimfit.entry.line_parser import parse_reading
    from trimfit.entry.tokens import in_quotes, line_of
    from trimfit.entry.unnamed_numbers import is_unnamed, with_names
    from trimfit.log.column_values import folded_name

    journal = session.journal
    chanter = None if chanter is None else folded_name(chanter)
    with journal.writing():
        history = journal.of_reed(reed)
        text = in_quotes(line_of(words), journal.chanters())
        line = parse_reading(
            with_names(text, journal.settings().line_order.split()) if is_unnamed(text) else text,
            scale=journal.scale(),
            reference_hz=reference_hz(history),
            mode="sounding",
        )
        said, default = bool(line.chanter) or chanter is not None, None
        if not said:
            default = read_in(session, history) or (journal.only_chanter() if line.notes_hz else None)
        reading = line.reading(history.reed.record.reed, "", chanter or default)
        changes: dict[str, Any] = {
            "chanter": chanter,
            "pressure_kpa": parse_pressure_kpa(pressure) if pressure is not None else None,
            "temperature_c": parse_temperature_c(temperature) if temperature is not None else None,
            "humidity_pct": parse_pct(humidity) if humidity is not None else None,
            "taped": tuple(taped.replace(",", " ").split()) if taped else None,
            "remark": remark,
        }
        reading = dataclasses.replace(reading, **{name: value for name, value in changes.items() if value is not None})
        reading, where, by_time = _placed(journal, history, reading, line.at if at is None else at, after)
        found = plain_reading_doubts(reading, history, journal.settings())
        found += [*by_time, *read_in_doubts(journal, reading, history, named=said)]
        if found and not sure:
            raise Doubtful(found, measured=True)
        kept = keep(journal, reading, reading.reed, found)
        unnamed = ""
        if reading.notes_hz and not reading.chanter:
            unnamed = f"no chanter was named: {command('log', 'amend', kept.entry, 'chanter=NAME')}"
        note = _notes(where, unnamed)
        kept = dataclasses.replace(kept, note=note, read=what_was_read(reading, journal, history, said))
    if saved is not None:
        saved(kept)
    return _held_against_prediction(session, reading, history, kept, ask) if kept.new else kept


def _held_against_prediction(
    session: Session,
    reading: Reading,
    history: ReedHistory,
    kept: EntryResult,
    ask: Ask | None,
) -> EntryResult:
    """What becomes of a saved reading once it is held against what was predicted; history: of its reed before it."""
    from trimfit.base.iso_dates import at_s
    from trimfit.entry.checks import MOVED, reading_doubts
    from trimfit.entry.entry_times import entries_of
    from trimfit.session.expected_reading import expected_reading

    try:
        with session.reading():
            expected = expected_reading(session, reading, kept.entry)
            found = reading_doubts(reading, history, session.settings, foreseen=expected)
    except TrimfitError:  # it is in the log, whatever keeps it from being checked
        return kept
    known = {(doubt.kind, doubt.column) for doubt in kept.doubts}
    if any(doubt.kind == MOVED for doubt in found):
        then_s = at_s(reading.taken_at, session.settings.time_zone)
        before = [one.entry for one in entries_of(history) if one.at_s < then_s]
        kept = dataclasses.replace(kept, follows=before[-1] if before else "")
    return _asked_after(
        session, kept, [doubt for doubt in found if (doubt.kind, doubt.column) not in known], ask, reading
    )


def _asked_after(
    session: Session, kept: EntryResult, found: Sequence[Doubt], ask: Ask | None, reading: Reading | None = None
) -> EntryResult:
    """What becomes of a saved entry that is in doubt: kept and marked, or what `ask` says of it: taken back, or of a
    reading that the reed moved before it."""
    from trimfit.entry.checks import MOVED

    if not found:
        return kept
    verdict: Verdict = "keep"
    try:
        if ask is not None:
            verdict = ask(found)
        if verdict == "moved" and reading is not None:
            found = [doubt for doubt in found if doubt.kind != MOVED]
            session.journal.append(Event(reading.reed, reading.taken_at, "moved"))
    finally:
        # Whoever leaves at the question has answered nothing: it is kept and marked.
        if verdict != "wrong":
            session.journal.mark(kept.entry, found)
    if verdict == "wrong":
        session.journal.strike(kept.entry, "in doubt when it was logged, and taken back")
    return dataclasses.replace(kept, doubts=(*kept.doubts, *found), taken_back=verdict == "wrong")


def log_trim(
    session: Session,
    reed: str,
    *,
    length: str | None = None,
    lip: str | None = None,
    asked: str | None = None,
    at: str | None = None,
    after: str | None = None,
    remark: str | None = None,
    sure: bool = True,
) -> EntryResult:
    """Log what was taken off a reed: length in mm, strokes of lip work, and the length that was meant, as typed.

    `sure` false: what is in doubt is not logged, and raises Doubtful.
    """
    from trimfit.entry.checks import LONGEST_UNASKED_MM, without_slips

    journal = session.journal
    with journal.writing():
        history = journal.of_reed(reed)
        trim = Trim(
            reed=history.reed.record.reed,
            done_at="",
            length_mm=_number("--length", length, in_mm=True),
            lip_strokes=_number("--lip", lip),
            asked_mm=_number("--asked", asked, in_mm=True),
            remark=remark,
        )
        trim, where, by_time = _placed(journal, history, trim, at, after)
        # A length typed twice over, as taken and as asked, is a slip all the same where no cut was ever so long.
        asked_mm, cuts_mm = trim.asked_mm, journal.latest_amounts("length_mm", history.reed.record.reed_type)
        if asked_mm is not None and asked_mm > max([*without_slips(cuts_mm), LONGEST_UNASKED_MM]):
            asked_mm = None
        found = [*cut_doubts(journal, trim, history, advised_mm=asked_mm, advised="asked for"), *by_time]
        _or_ask(found, sure)
        kept = keep(journal, trim, trim.reed, found)
        return dataclasses.replace(kept, note=where, read=what_was_taken(trim))


def log_event(
    session: Session,
    reed: str,
    words: Sequence[str],
    *,
    at: str | None = None,
    after: str | None = None,
    remark: str | None = None,
    sure: bool = True,
) -> EntryResult:
    """Log what was done to a reed, or happened to it, besides a trim, in the shop's own words: `soaked`.

    Its level may have changed by any amount; how it answers a cut stays known. `sure` false: what is in doubt is not
    logged, and raises Doubtful. InputError also for the word of an outcome, which is logged as one.
    """
    from trimfit.base.errors import command
    from trimfit.entry.checks import event_doubts
    from trimfit.log.column_values import folded_name
    from trimfit.log.entry_kinds import OUTCOMES

    journal = session.journal
    with journal.writing():
        history = journal.of_reed(reed)
        word = folded_name(" ".join(words))
        if (said := word.lower()) in OUTCOMES:
            remedy = f"log it as one: {command('log', 'outcome', reed, said)}"
            raise InputError(f"{said} is an outcome: the reed leaves the bench", "EVENT", remedy)
        event = Event(history.reed.record.reed, "", word, remark)
        event, where, by_time = _placed(journal, history, event, at, after)
        found = [*event_doubts(event), *by_time]
        _or_ask(found, sure)
        kept = keep(journal, event, event.reed, found)
        return dataclasses.replace(
            kept, read=f": {event.event}", note=_notes(where, after_event(journal, kept), _still_out(history))
        )


def after_event(journal: Journal, kept: EntryResult) -> str:
    """What an event just kept asks for: a reading, where F and E were not read since; then empty."""
    history = journal.of_reed(kept.about)
    at_s = next(one.at_s for one in history.events if one.entry == kept.entry)
    read = any(one.at_s >= at_s and {"e", "f"} <= one.record.notes_hz.keys() for one in history.readings)
    return "" if read else AFTER_EVENT


def _still_out(history: ReedHistory) -> str:
    """That what is logged of a reed that left the bench leaves its outcome as it is, and how to strike that."""
    from trimfit.base.errors import command

    out = history.outcome
    if out is None:
        return ""
    again = f"to work on it again: {command('log', 'strike', out.entry)}"
    return f"it still counts as gone from the bench, as {out.record.outcome}; {again}"


def log_outcome(
    session: Session,
    reed: str,
    outcome: str,
    *,
    at: str | None = None,
    after: str | None = None,
    remark: str | None = None,
    sure: bool = True,
    saved: Saved | None = None,
    ask: Ask | None = None,
) -> EntryResult:
    """Log that a reed has left the bench: `good`, `lost` or `to-stock`.

    A later outcome takes the place of the one before, which is struck. `sure` false: what is in doubt is not logged,
    and raises Doubtful. Of a reed called good, once it is saved (`saved` is called with it), work that was left is
    doubtful too: `ask` as for a reading.
    """
    from trimfit.entry.checks import outcome_doubts

    journal = session.journal
    with journal.writing():
        history = journal.of_reed(reed)
        before = history.outcome
        if before is not None and before.record.outcome == outcome and at is after is remark is None:
            kept = EntryResult(before.entry, "outcome", before.record.reed, new=False, read=f": {outcome}")
            if saved is not None:
                saved(kept)
            return kept
        entry = Outcome(history.reed.record.reed, "", outcome, remark)
        entry, where, by_time = _placed(journal, history, entry, at, after)
        found = [*outcome_doubts(entry, history, journal.settings()), *by_time]
        _or_ask(found, sure)
        kept = keep_outcome(journal, entry, found)
        kept = dataclasses.replace(kept, note=_notes(where, kept.note))
    if saved is not None:
        saved(kept)
    if outcome != "good" or not kept.new or kept.doubts:
        return kept
    return _asked_after(session, kept, _work_left(session, history, entry), ask)


def _work_left(session: Session, history: ReedHistory, outcome: Outcome) -> list[Doubt]:
    """The doubt about a reed called good off which something had still to come, by the advice as of then; history: of
    the reed before it. None where the model and the plan that the log keeps do not tell: nothing is fitted for it."""
    from trimfit.base.iso_dates import at_s
    from trimfit.entry.entry_times import entries_of
    from trimfit.verbs.ask import advise
    from trimfit.verbs.wording import work_left

    then_s = max([at_s(outcome.at, session.settings.time_zone), *(one.at_s for one in entries_of(history))])
    try:
        with session.reading():
            bench = session.bench(then_s, solving=False)
            left = work_left(advise(bench, bench.see_reed(history.reed.record)))
    except TrimfitError:  # it is in the log, whatever keeps it from being checked
        return []
    return [Doubt("good-unfinished", "outcome", left)] if left else []


def keep_outcome(journal: Journal, entry: Outcome, doubts: Sequence[Doubt] = ()) -> EntryResult:
    """Keep an outcome in a transaction of its own; the earlier one that it takes the place of is struck with it."""
    from trimfit.base.iso_dates import at_s

    with journal.writing():
        before = journal.of_reed(entry.reed).outcome
        replaced = None
        if before is not None and before.record != entry and before.at_s < at_s(entry.at, journal.settings().time_zone):
            replaced = before.entry
            journal.strike(replaced, after_all(entry.outcome))
        kept = keep(journal, entry, entry.reed, doubts, replaced)
        note = f"it had left the bench as {before.record.outcome}" if replaced and before is not None else ""
        return dataclasses.replace(kept, note=note, read=f": {entry.outcome}")


def fields_of(texts: Mapping[str, str | None], called: Mapping[str, str]) -> dict[str, Any]:
    """Fields of a reed, a chanter or an order as they were typed, by column, with numbers read. What was not said is
    left out; a blank stays, to take a value back. called: what a column is called where it was typed.

    Raises InputError for a field that cannot be read.
    """
    from trimfit.base.pitch import parse_crow_hz
    from trimfit.base.units import parse_hz, parse_length_mm, parse_number, parse_pressure_kpa
    from trimfit.log.column_values import folded_name

    read: dict[str, Callable[[str], float]] = {
        "blade_mm": parse_length_mm,
        "bore_gauge_mm": parse_length_mm,
        "meeting_pitch_hz": parse_hz,
        "working_crow_hz": parse_crow_hz,
        "target_pitch_hz": parse_hz,
        "pressure_kpa": parse_pressure_kpa,
        "quantity": parse_number,
    }
    given: dict[str, Any] = {}
    for column, text in texts.items():
        if text is not None:
            try:
                words = text if column == "remark" else folded_name(text)
                given[column] = read[column](words) if column in read and words else words
            except InputError as error:
                raise InputError(error.what, called[column], error.remedy) from error
    return given


def log_reed(
    session: Session,
    name: str,
    given: Mapping[str, Any],
    *,
    move: bool = False,
    sure: bool = True,
    among: Sequence[str] = (),
) -> EntryResult:
    """Log a reed, or revise what is known of it: `given` holds the fields that were said.

    A reed that is in the log keeps its type and batch unless `move` is said: the name may be a slip. `sure` false:
    what is in doubt is not logged, and raises Doubtful. among: the reeds that are logged or moved with it.
    """

    from trimfit.base.errors import command
    from trimfit.base.natural_order import refuse_range

    def refuse(known: Reed | None) -> None:
        if known is None:
            refuse_range(name)
            missing = [word for word, key in (("type", "reed_type"), ("batch", "batch")) if not given.get(key)]
            if missing:
                what = f"a new reed needs {' and '.join(f'a {word}' for word in missing)}"
                raise InputError(what, f"reed {short(name)}", f"say its {' and '.join(missing)}")
            return
        for key in ("reed_type", "batch"):
            was = getattr(known, key)
            _refuse_blank(given, key, f"reed {short(name)}")
            if given.get(key, was) != was and not move:
                right = command("log", "reed", name, "--move")
                remedy = f"give the new reed another name, or say what is right with {right} …"
                raise InputError(f"is in the log with {key} {short(was)!r}", f"reed {short(name)}", remedy)

    return _keep_or_revise(session.journal, Reed, name, given, sure, refuse, among)


def _refuse_blank(given: Mapping[str, Any], key: str, where: str) -> None:
    """InputError where a value that the record cannot be without is to be taken back."""
    if key in given and not str(given[key] or "").strip():
        word = key.removeprefix("reed_")
        raise InputError(f"its {word} cannot be taken back", where, f"say another {word}, or leave it out")


def log_reeds(
    session: Session, names: Sequence[str], given: Mapping[str, Any], *, move: bool = False, sure: bool = True
) -> EntryResult:
    """Log reeds alike in all but their names, or revise what is known of them: all of them, or none; as `log_reed`."""
    return reeds_as_one(log_each_reed(session, names, given, move=move, sure=sure))


def log_each_reed(
    session: Session, names: Sequence[str], given: Mapping[str, Any], *, move: bool = False, sure: bool = True
) -> list[EntryResult]:
    """As `log_reeds`, a result for each reed. What is doubtful in the words of the first is so in those of all: each
    carries the mark, though the log knows the word by then."""
    found: list[EntryResult] = []
    shared: dict[str, Doubt] = {}
    with session.journal.writing():
        for name in names:
            one = log_reed(session, name, given, move=move, sure=sure, among=names)
            known = {doubt.kind + doubt.column for doubt in one.doubts}
            more = [doubt for key, doubt in shared.items() if one.new and key not in known]
            if more:
                session.journal.mark(one.entry, more)
                one = dataclasses.replace(one, doubts=(*one.doubts, *more))
            shared.update({doubt.kind + doubt.column: doubt for doubt in one.doubts if doubt.column != "reed"})
            found.append(one)
    return found


def reeds_as_one(found: Sequence[EntryResult]) -> EntryResult:
    """The results of reeds logged at once as one, with the words of the command that puts all of them right."""
    from trimfit.base.natural_order import counted_out

    new = sum(one.new for one in found)
    counts = [
        f"{new} reed{'' if new == 1 else 's'} logged" if new else "",
        f"{len(found) - new} in the log already" if new < len(found) else "",
    ]
    ids = ", ".join(one.entry[:10] for one in found[:MOST_IDS])
    every = "the id of each: the same with --json"
    if len(found) <= MOST_IDS:
        every = f"the id of each, in order, as much of it as strike needs: {ids}"
    notes = dict.fromkeys([", ".join(part for part in counts if part), *(one.note for one in found), every])
    doubts = {one.sentence: one for result in found for one in result.doubts}
    names = [one.about for one in found]
    run = f"{names[0]}..{names[-1]}"
    options = {
        "reed_type": ("--type", "TYPE", "--move"),
        "batch": ("--batch", "NAME", "--move"),
        "weight": ("--weight", "WORD"),
        "made_on": ("--made-on", "DATE"),
    }
    said = {column for one in doubts.values() if (column := one.column) in options}
    words = dict.fromkeys(word for column, more in options.items() if column in said for word in more)
    return EntryResult(
        found[0].entry,
        "reed",
        f"{names[0]} to {names[-1]}",
        new > 0,
        tuple(doubts.values()),
        note="\n".join(note for note in notes if note),
        entries=tuple(one.entry for one in found),
        remedy=("log", "reed", run, *words) if words and counted_out(run) == names else (),
    )


def log_chanter(session: Session, name: str, given: Mapping[str, Any], *, sure: bool = True) -> EntryResult:
    """Log a chanter, or revise what is known of it: `given` holds the fields that were said. `sure`: as of a reed.

    Of one of which nobody said where it is, and that no reed was read in, it is noted what that means.
    InputError for the reed type of a crow that nobody said.
    """

    def refuse(known: Chanter | None) -> None:
        crow_hz = given.get("working_crow_hz", known.working_crow_hz if known is not None else None)
        if str(given.get("working_crow_type") or "").strip() and not str(crow_hz or "").strip():
            what = "the type of its working crow is said, and no such crow is known"
            raise InputError(what, f"chanter {short(name)}", SAY_CROW)

    kept = _keep_or_revise(session.journal, Chanter, name, given, sure, refuse)
    found = session.journal.entry_of("chanter", name)
    if found is None or found.record.at_hand is not None or session.journal.chanter_read(found.record.chanter):
        return kept
    unsaid = f"taken to be away until a reed is read in it; if it is at the bench, {SAY_AT_HAND}"
    return dataclasses.replace(kept, note=_notes(kept.note, unsaid))


def log_order(session: Session, name: str, given: Mapping[str, Any], *, sure: bool = True) -> EntryResult:
    """Log an order, or revise what is known of it: `given` holds the fields that were said. `sure`: as of a reed.

    A new order that names no chanter is for the only one in the log.
    """
    journal = session.journal
    with journal.writing():
        only = None
        if journal.entry_of("order", name) is not None:
            _refuse_blank(given, "chanter", f"order {short(name)}")
        elif not given.get("chanter"):
            only = journal.only_chanter()
            if only is None:
                raise InputError("a new order needs a chanter", f"order {short(name)}", "say which chanter it is for")
            given = {**given, "chanter": only}
        kept = _keep_or_revise(journal, Order, name, given, sure)
        said = f"in {short(only)}, the only chanter in the log" if only is not None else ""
        return dataclasses.replace(kept, note=_notes(said, kept.note))


def strike(
    session: Session, entry: str | None, *, why: str | None = None, at: str | None = None, last: bool = False
) -> EntryResult:
    """Take an entry back and say why; it stays in the log and in every export, and counts no more.

    last: it is the last in time of the reed that `entry` names, else the one logged last in the whole log.
    """
    from trimfit.base.iso_dates import came_twice, typed_time
    from trimfit.log.entry_kinds import kind_of_entry
    from trimfit.log.queries import again_command

    if why is not None and not why.strip():
        raise InputError("a strike needs a reason", "--why", "say in a few words what was wrong")
    journal = session.journal
    with journal.writing():
        struck = journal.last_of(entry) if last or entry is None else journal.find(entry)
        later = entered_after(journal, entry, struck) if last and entry is not None else ""
        kind, name = kind_of_entry(struck), journal.name_of(struck)
        aside = journal.next_to_count(struck)
        struck_at = typed_time(at) if at is not None else None
        done, earlier = journal.take_back(struck, TAKEN_BACK if why is None else why, struck_at)
        notes = [f"the {entry_in_words(journal, struck)}"]
        if at is not None and struck_at is not None and (twice := came_twice(at, struck_at)):
            notes.append(twice)
        notes += [later] if later else []
        if kind is not None and kind.name == "outcome":
            notes += _still_lost(journal, struck, name)
        if kind is not None:
            thing = kind.name in ("reed", "order", "chanter")
            if aside is not None:
                notes.append(f"the one set aside for it counts now: {aside}, the {entry_in_words(journal, aside)}")
            elif earlier is not None:
                notes.append(f"the earlier entry of {kind.name} {short(name)} counts again: {earlier}")
            elif thing and journal.entry_of(kind.name, name) is None and (left := journal.naming(kind.name, name)):
                entries = "1 entry still names" if left == 1 else f"{left:,} entries still name"
                _, row = journal.row_of(struck)
                notes.append(f"{entries} this {kind.name}; to log it again: {again_command(kind, row)}")
        return EntryResult(done, "strike", struck, note="\n".join(notes))


def _still_lost(journal: Journal, struck: str, reed: str) -> list[str]:
    """That a reed whose outcome was taken back had left the bench before that one too, with the command that says so
    again; empty for others."""
    from trimfit.base.errors import command
    from trimfit.log.queries import struck_of_reed

    with journal.reading() as connection:
        found = [one for one in struck_of_reed(connection, reed) if one.kind == "outcome"]
    was = next(one for one in found if one.entry == struck)
    replaced = [one for one in found if one.why == after_all(was.record.outcome)]
    if not replaced:
        return []
    before = replaced[-1].record.outcome
    return [f"it is at the bench again; before it had left as {before}: {command('log', 'outcome', reed, before)}"]


def after_all(outcome: str) -> str:
    """Why the outcome before another is struck."""
    from trimfit.log.queries import LEFT_AS

    return f"{LEFT_AS}{outcome} after all"


def entered_after(journal: Journal, reed: str, entry: str) -> str:
    """That another entry of a reed than its last in time was entered last, in words; empty where it is that."""
    entered = journal.last_of(reed, entered=True)
    said = f"the last one entered is another: {entered}, the {entry_in_words(journal, entered)}"
    return said if entered != entry else ""


def entry_in_words(journal: Journal, entry: str) -> str:
    """An entry of the log, struck or not, in words: `trim of R-0412 of 2026-03-31 09:40: 0.1 mm`."""
    from trimfit.base.iso_dates import at_s, local_minute, now_s
    from trimfit.entry.entry_times import CLOCKS_APART_S
    from trimfit.verbs.wording import values_in_words

    kind, row = journal.row_of(entry)
    record = kind.from_row(row)
    if not isinstance(record, Reading | Trim | Event | Outcome):
        said = [f"{name} {short(value)}" for name, value in zip(kind.names[1:], row[1:], strict=True) if value]
        return f"{kind.name} {short(row[0])}: {', '.join(said)}".removesuffix(": ")
    at = str(row[kind.index[kind.time or ""]])
    zone = journal.settings().time_zone
    ahead = at_s(at, zone) > now_s() + CLOCKS_APART_S
    still = " (still to come)" if ahead else ""
    return f"{kind.name} of {short(record.reed)} of {local_minute(at, zone)}{still}: {values_in_words(record)}"


def rename(session: Session, reed: str, new: str, *, only: Sequence[str] = (), join: bool = False) -> EntryResult:
    """Give a reed another name: it and all that was logged of it are struck and entered again under that name.

    only: ids of entries to rename, where two reeds were mixed under the name. join: the new name is in the log, and is
    the same reed: what was known under the old name alone (order, blade, weight …) is known under the new one then.
    """
    from trimfit.base.natural_order import refuse_range
    from trimfit.log.merging.rename import rename

    refuse_range(new)
    journal = session.journal
    with journal.writing():
        reeds = journal.reeds() if join else {}
        done = rename(journal, reed, new, only=only, join=join)
        old, there = reeds.get(done.reed), reeds.get(done.new_name)
        entry, apart = done.entry, ""
        if old and there and done.moved.get("reed"):
            entry, apart = _joined(journal, old, there, entry)
    was, now = short(done.reed), short(done.new_name)
    went = ", ".join(f"{n} {kind}{'' if n == 1 else 's'}" for kind, n in done.moved.items() if kind != "reed")
    whole = done.moved.get("reed")
    note = f"{was} is {now} now; along went {went or 'nothing'}" if whole else f"{went} went from {was} to {now}"
    left = _still_there(journal, done.reed) if only else ""
    note = _notes(
        f"{note}; the old {'entry is' if sum(done.moved.values()) == 1 else 'entries are'} struck{left}", apart
    )
    return EntryResult(entry, "reed", done.new_name, bool(done.moved), note=note if done.moved else "")


def _still_there(journal: Journal, reed: str) -> str:
    """What stands under the old name of a reed that was renamed in part, in words; empty where nothing does."""
    if reed not in journal.reeds():
        return ""
    of = journal.of_reed(reed)
    counts = [("reading", len(of.readings)), ("trim", len(of.trims)), ("event", len(of.events))]
    counts.append(("outcome", int(of.outcome is not None)))
    there = [counted(count, name) for name, count in counts if count]
    return f"; another {short(reed)} stands, with {' and '.join(there) or 'nothing logged of it'}"


def _joined(journal: Journal, old: Reed, new: Reed, entry: str) -> tuple[str, str]:
    """The entry of a reed that an old one was joined to, its blanks filled from that; and where they differ, in words.

    entry: the reed's own so far.
    """
    from trimfit.log.entry_kinds import UNNAMED

    filled: dict[str, Any] = {}
    apart: list[str] = []
    for name in (field.name for field in dataclasses.fields(Reed) if field.name != "reed"):
        theirs, ours = getattr(old, name), getattr(new, name)
        if theirs in (None, UNNAMED, ours):
            continue
        if ours in (None, UNNAMED):
            filled[name] = theirs
        else:
            stays, had = (f"{value:g}" if isinstance(value, float) else short(value) for value in (ours, theirs))
            apart.append(f"{name} {stays} stays; {short(old.reed)} had {had}")
    said = "; ".join(apart)
    if not filled:
        return entry, said
    journal.strike(entry, f"revised: {', '.join(filled)}")
    return journal.append(dataclasses.replace(new, **filled)).entry, said


def keep(
    journal: Journal, record: object, about: str, doubts: Sequence[Doubt] = (), instead_of: str | None = None
) -> EntryResult:
    """Keep a record, its doubts confirmed, in a transaction of its own or in the one that stands open."""
    from trimfit.log.entry_kinds import kind_of_record

    before = journal.last_seq()
    logged = journal.append(record, doubts=doubts)
    return EntryResult(logged.entry, kind_of_record(record).name, about, logged.seq > before, tuple(doubts), instead_of)


def _notes(*parts: str) -> str:
    return "\n".join(part for part in parts if part)


def cut_doubts(
    journal: Journal,
    trim: Trim,
    history: ReedHistory,
    *,
    advised_mm: float | None = None,
    advised: str = "advised",
    but: str = "",
) -> list[Doubt]:
    """What is doubtful in a cut, beside the latest ones of its reed type. history: of its reed before it; advised_mm,
    advised: as for `entry.checks.trim_doubts`; but: the entry that it corrects."""
    from trimfit.entry.checks import trim_doubts, without_slips

    reed_type = history.reed.record.reed_type
    cuts_mm = without_slips(journal.latest_amounts("length_mm", reed_type, but=but))
    strokes = without_slips(journal.latest_amounts("lip_strokes", reed_type, but=but)) if trim.lip_strokes else []
    return trim_doubts(
        trim,
        history,
        journal.settings(),
        longest_mm=max(cuts_mm, default=None),
        cuts=len(cuts_mm),
        most_strokes=max(strokes, default=0.0),
        advised_mm=advised_mm,
        advised=advised,
    )


def read_in_doubts(journal: Journal, reading: Reading, history: ReedHistory, *, named: bool) -> list[Doubt]:
    """Whether a reading was taken in the chanter that it is logged in; named: whether somebody said which."""
    from trimfit.entry.checks import chanter_doubts

    known = journal.entry_of("chanter", reading.chanter) if reading.chanter is not None else None
    return chanter_doubts(reading, known.record if known is not None else None, history, named=named)


def _or_ask(doubts: Sequence[Doubt], sure: bool) -> None:
    if doubts and not sure:
        raise Doubtful(doubts)


def read_in(session: Session, history: ReedHistory) -> str | None:
    """The chanter that a reading of a reed is taken in where nobody names one: its order's, and for one that is away
    the one at hand in which the reed is worked, as the answer to `ask` names it; without an order the one it was last
    read in. None where nothing tells."""
    chanter = history.chanter
    if chanter is None or history.order is None:
        return chanter.chanter if chanter is not None else None
    if chanter.at_hand == "yes" or (chanter.at_hand is None and session.journal.chanter_read(chanter.chanter)):
        return chanter.chanter  # known without the fitted model, which takes time to load
    from trimfit.session.chanters_at_hand import ChantersAtHand

    last = next((one.record.chanter for one in reversed(history.readings) if one.record.chanter), None)
    at_hand = ChantersAtHand(session.journal, session.model)
    return at_hand.worked_in(chanter.chanter, last) or chanter.chanter


def worked_there(history: ReedHistory, chanter: str | None) -> str:
    """Why a reading that names no chanter is taken in `chanter`, where that is not the one of the reed's order: `where
    it is worked: Far is away`. Else empty."""
    ordered = history.chanter if history.order is not None else None
    if ordered is None or chanter in (None, ordered.chanter):
        return ""
    name = short(ordered.chanter)
    away = f"no reed was read in {name} yet" if ordered.at_hand is None else f"{name} is away"
    return f"where it is worked: {away}"


def what_was_read(reading: Reading, journal: Journal, history: ReedHistory, said: bool) -> str:
    """A reading as it was understood: in which chanter, and where F stands."""
    from trimfit.base.pitch import NOTES, OUTPUT_WORDS
    from trimfit.entry.typing_slips import outputs_cents

    notes = outputs_cents(reading, journal.scale())
    place = ""
    if reading.chanter is not None:
        last_time = ", as last time" if history.chanter else ", the only one in the log"
        whose = "" if said else (", the chanter of its order" if history.order else last_time)
        if not said and (worked := worked_there(history, reading.chanter)):
            whose = f", {worked}"
        place = f" in {short(reading.chanter)}{whose}"
    if {"f", "e"} <= notes.keys():
        gap = notes["f"] - notes["e"]
        side = "over" if gap > 0 else "under"
        cents = "1 cent" if abs(round(gap)) == 1 else f"{abs(gap):.0f} cents"
        taped = [OUTPUT_WORDS[note] for note in NOTES if note in reading.taped]
        tape = f" ({', '.join(taped)} taped)" if taped else ""
        return f"{place}: F {cents} {side} E{tape}" if round(gap) else f"{place}: F and E agree{tape}"
    read = [OUTPUT_WORDS[note] + " (taped)" * (note in reading.taped) for note in NOTES if note in reading.notes_hz]
    read += ["the G octave"] if reading.g_octave_hz is not None else []
    read += ["the crow"] if reading.crow_hz is not None else []
    return f"{place}: {read[0]} alone" if len(read) == 1 else f"{place}: {', '.join(read[:-1])} and {read[-1]}"


def what_was_taken(trim: Trim) -> str:
    """A trim as it was understood."""
    length = f"{trim.length_mm:g} mm" if trim.length_mm else ""
    strokes = f"{trim.lip_strokes:g} lip stroke{'' if trim.lip_strokes == 1 else 's'}" if trim.lip_strokes else ""
    return ": " + ", ".join(part for part in (length, strokes) if part)


def _keep_or_revise(
    journal: Journal,
    record: type[Reed] | type[Chanter] | type[Order],
    name: str,
    given: Mapping[str, Any],
    sure: bool,
    refuse: Callable[[Any], None] = lambda known: None,
    among: Sequence[str] = (),
) -> EntryResult:
    """Keep a thing that the log does not know yet, with what is doubtful about its name and what is new with it; or
    revise one that it knows. refuse: called with the record that is known, None where none is; it may raise.
    among: the reeds that are logged or moved with it."""
    from trimfit.base.iso_dates import now_s
    from trimfit.entry.checks import day_doubts
    from trimfit.entry.similar_names import name_doubts
    from trimfit.log.column_values import name_value
    from trimfit.log.entry_kinds import KINDS

    kind = KINDS[record.__name__.lower()]
    name = name_value(kind, name)
    with journal.writing():
        known = journal.entry_of(kind.name, name)
        refuse(known.record if known is not None else None)
        if known is not None:
            return _revise(journal, known.entry, known.record, given, sure, among)
        new = record(name, **given)
        doubts, fresh = name_doubts(journal, new)
        doubts += [*_gauge_doubts(journal, new), *day_doubts(new, now_s())]
        _or_ask(doubts, sure)
        return dataclasses.replace(keep(journal, new, name, doubts), note=", ".join(fresh))


def _gauge_doubts(journal: Journal, record: Reed | Chanter | Order) -> list[Doubt]:
    """Whether a bore gauge really enters a chanter so far, beside the others of the log."""
    from trimfit.entry.checks import gauge_doubts

    if not isinstance(record, Chanter) or record.bore_gauge_mm is None:
        return []
    others = [one for one in journal.chanters().values() if one.chanter != record.chanter]
    return gauge_doubts(record.bore_gauge_mm, [one.bore_gauge_mm for one in others if one.bore_gauge_mm])


def _revise(
    journal: Journal, entry: str, record: Any, given: Mapping[str, Any], sure: bool, among: Sequence[str]
) -> EntryResult:
    """Strike what is known of a thing and log it with what was said in its place, in one transaction."""
    from trimfit.base.iso_dates import now_s
    from trimfit.entry.checks import day_doubts
    from trimfit.entry.similar_names import place_doubts, word_doubts

    name = str(getattr(record, dataclasses.fields(record)[0].name))
    said = {key: None if isinstance(value, str) and not value.strip() else value for key, value in given.items()}
    changed = {key: value for key, value in said.items() if value != (getattr(record, key) or None)}
    if not changed:
        return keep(journal, record, name)
    revised = dataclasses.replace(record, **changed)
    doubts, fresh = (
        word_doubts(journal, revised) if changed.keys() & {"kind", "working_crow_type", "weight"} else ([], [])
    )
    if moved := changed.keys() & {"reed_type", "batch"}:
        more, new = place_doubts(journal, revised, moved, {name, *among})
        doubts, fresh = doubts + more, fresh + new
    doubts += _gauge_doubts(journal, revised) if "bore_gauge_mm" in changed else []
    doubts += day_doubts(revised, now_s()) if changed.keys() & {"made_on", "due_on"} else []
    _or_ask(doubts, sure)
    journal.strike(entry, f"revised: {', '.join(changed)}")
    kept = keep(journal, revised, name, doubts, entry)
    return dataclasses.replace(kept, note=", ".join(fresh))


def _placed(
    journal: Journal, history: ReedHistory, record: T, at: str | None, after: str | None
) -> tuple[T, str, list[Doubt]]:
    """A record with its time: as typed, or right after an entry, else now; where that puts it; and what is doubtful in
    that time."""
    from trimfit.base.iso_dates import local_now, now_s
    from trimfit.entry.checks import when_doubts
    from trimfit.entry.entry_times import ELSEWHERE, place

    def record_at(time: str) -> Any:
        return dataclasses.replace(record, **{_time_column(record): time})  # type: ignore[type-var]

    zone = journal.settings().time_zone
    try:
        placed = place(history, record_at, zone=zone, now=local_now(), at=at, after=after)
    except InputError:
        if after is not None and at is None:
            found = ""
            with contextlib.suppress(InputError):
                found = journal.find(after)
            journal.refuse_struck(found)
        raise
    tail = ELSEWHERE if placed.where and after is None and not placed.behind else ""
    day = placed.day
    if day is not None and isinstance(record, Reading) != isinstance(day.record, Reading):
        # Of two on one day the log keeps no order unless both have a time: the first gets that of its day's beginning.
        at_midnight = {_time_column(day.record): f"{day.at}T00:00"}
        before: Any = dataclasses.replace(day.record, **at_midnight)  # type: ignore[arg-type]
        tail += f", which stands at 00:00 of its day now: {journal.amend(day.entry, before, doubts=day.doubts).entry}"
    timed = record_at(placed.at)
    return timed, placed.where + tail, when_doubts(timed, history, journal.settings(), now_s())


def _time_column(record: object) -> str:
    return "taken_at" if isinstance(record, Reading) else "done_at" if isinstance(record, Trim) else "at"


def _number(option: str, text: str | None, *, in_mm: bool = False) -> float | None:
    from trimfit.base.units import parse_length_mm, parse_number

    if text is None:
        return None
    try:
        return parse_length_mm(text) if in_mm else parse_number(text)
    except InputError as error:
        raise InputError(error.what, option, error.remedy) from error


def reference_hz(history: ReedHistory) -> float | None:
    """The pitch as low A that cents count from: the order's target, else the chanter's meeting pitch."""
    target_hz = history.order.target_pitch_hz if history.order is not None else None
    return target_hz or (history.chanter.meeting_pitch_hz if history.chanter is not None else None)
