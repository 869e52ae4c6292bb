"""One entry logged, revised or taken back: durable when the answer is given, with what is doubtful about it.

This is the path with a reed in one hand: it loads as little as it can.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trimfit.errors import InputError
from trimfit.records import Chanter, Doubt, Order, Outcome, Reed, ReedHistory, Trim

if TYPE_CHECKING:
    from trimfit.bench.journal import Journal

__all__ = [
    "Kept",
    "log_chanter",
    "log_order",
    "log_outcome",
    "log_reading",
    "log_reed",
    "log_trim",
    "rename",
    "strike",
]


@dataclass(frozen=True, slots=True)
class Kept:
    """What became of one entry: its id, whether the log is the longer for it, and what is doubtful about it.

    `instead_of`: the entry that it revises, struck in the same breath. `note`: a thing worth saying that is no doubt.
    """

    entry: str
    kind: str
    about: str
    new: bool = True
    doubts: tuple[Doubt, ...] = ()
    instead_of: str | None = None
    note: str = ""


def log_reading(
    log: Path,
    reed: str,
    words: Sequence[str],
    *,
    at: str | None = None,
    chanter: str | None = None,
    pressure: str | None = None,
    temperature: str | None = None,
    humidity: str | None = None,
    taped: str | None = None,
    remark: str | None = None,
) -> Kept:
    """Log a reading said in words such as `f=782.1 crow=C+22`; options override what the words say.

    Without a chanter it is the one of the reed's order, else the one it was last read in. Raises InputError with a
    fault for each word that says nothing.
    """
    from trimfit.bench.entry_doubts import reading_doubts
    from trimfit.bench.journal import Journal
    from trimfit.bench.parse import parse_reading
    from trimfit.desk.foreseeing import forecast
    from trimfit.units import parse_number, parse_pressure_kpa, parse_temperature_c

    with Journal(log) as journal, journal.writing():
        history = journal.of_reed(reed)
        line = parse_reading(
            " ".join(_one_word(word) for word in words),
            scale=journal.scale(),
            reference_hz=_reference_hz(history),
            mode="sounding",
        )
        default = history.chanter.chanter if history.chanter else None
        reading = line.reading(history.reed.record.reed, _moment(history, at or line.at), chanter or default)
        changes: dict[str, Any] = {
            "chanter": chanter,
            "pressure_kpa": parse_pressure_kpa(pressure) if pressure else None,
            "temperature_c": parse_temperature_c(temperature) if temperature else None,
            "humidity_pct": parse_number(humidity.rstrip("% ")) if humidity else None,
            "taped": tuple(taped.replace(",", " ").split()) if taped else None,
            "remark": remark,
            "taken_at": at,
        }
        reading = dataclasses.replace(reading, **{name: value for name, value in changes.items() if value is not None})
        foreseen = forecast(journal, reading, history)
        found = tuple(reading_doubts(reading, history, journal.settings(), {}, foreseen=foreseen))
        return _keep(journal, reading, reading.reed, found)


def log_trim(
    log: Path,
    reed: str,
    *,
    length: str | None = None,
    lip: str | None = None,
    asked: str | None = None,
    at: str | None = None,
    remark: str | None = None,
) -> Kept:
    """Log what was taken off a reed: length in mm, strokes of lip work, and the length that was meant, as typed."""
    from trimfit.bench.entry_doubts import trim_doubts
    from trimfit.bench.journal import Journal

    with Journal(log) as journal, journal.writing():
        history = journal.of_reed(reed)
        trim = Trim(
            reed=history.reed.record.reed,
            done_at=_moment(history, at),
            length_mm=_number("--length", length, "mm"),
            lip_strokes=_number("--lip", lip),
            asked_mm=_number("--asked", asked, "mm"),
            remark=remark,
        )
        longest_mm = journal.longest_cut_mm(history.reed.record.reed_type)
        found = trim_doubts(trim, history, journal.settings(), longest_mm=longest_mm, advised_mm=trim.asked_mm)
        return _keep(journal, trim, trim.reed, tuple(found))


def log_outcome(log: Path, reed: str, outcome: str, *, at: str | None = None, remark: str | None = None) -> Kept:
    """Log that a reed has left the bench: `good`, `lost` or `to-stock`."""
    from trimfit.bench.journal import Journal

    with Journal(log) as journal, journal.writing():
        history = journal.of_reed(reed)
        entry = Outcome(history.reed.record.reed, _moment(history, at), outcome, remark)
        return _keep(journal, entry, entry.reed)


def log_reed(log: Path, name: str, given: Mapping[str, Any], *, move: bool = False) -> Kept:
    """Log a reed, or revise what is known of it: `given` holds the fields that were said.

    A reed that is in the log keeps its type and batch unless `move` is said: the name may be a slip.
    """
    from trimfit.bench.journal import Journal

    with Journal(log, create=True) as journal, journal.writing():
        known = journal.entry_of("reed", name)
        if known is None:
            missing = [f"--{word}" for word, key in (("type", "reed_type"), ("batch", "batch")) if not given.get(key)]
            if missing:
                raise InputError(
                    f"a new reed needs {' and '.join(missing)}", f"reed {name[:60]}", "say its type and batch"
                )
            return _keep(journal, Reed(name, **given), name)
        for key in ("reed_type", "batch"):
            was = getattr(known.record, key)
            if given.get(key, was) != was and not move:
                what = f"is in the log with {key} {was[:60]!r}"
                raise InputError(
                    what, f"reed {name[:60]}", "give the new reed another name, or say --move if that was wrong"
                )
        return _revise(journal, known.entry, known.record, given)


def log_chanter(log: Path, name: str, given: Mapping[str, Any]) -> Kept:
    """Log a chanter, or revise what is known of it: `given` holds the fields that were said."""
    from trimfit.bench.journal import Journal

    with Journal(log, create=True) as journal, journal.writing():
        known = journal.entry_of("chanter", name)
        if known is None:
            return _keep(journal, Chanter(name, **given), name)
        return _revise(journal, known.entry, known.record, given)


def log_order(log: Path, name: str, given: Mapping[str, Any]) -> Kept:
    """Log an order, or revise what is known of it: `given` holds the fields that were said."""
    from trimfit.bench.journal import Journal

    with Journal(log, create=True) as journal, journal.writing():
        known = journal.entry_of("order", name)
        if known is None:
            if not given.get("chanter"):
                raise InputError("a new order needs --chanter", f"order {name[:60]}", "say which chanter it is for")
            return _keep(journal, Order(name, **given), name)
        return _revise(journal, known.entry, known.record, given)


def strike(log: Path, entry: str, why: str, *, at: str | None = None) -> Kept:
    """Take an entry back and say why; it stays in the log and in every export, and counts no more."""
    from trimfit.bench.journal import Journal
    from trimfit.bench.kinds import kind_of_entry

    if not why.strip():
        raise InputError("a strike needs a reason", "--why", "say in a few words what was wrong")
    with Journal(log) as journal, journal.writing():
        struck = journal.find(entry)
        kind = kind_of_entry(struck)
        name = journal.name_of(struck) if kind is not None and kind.name in ("reed", "order", "chanter") else ""
        done = journal.strike(struck, why, at)
        left = journal.naming(kind.name, name) if kind is not None and name else 0
        note = f"{left:,} entries still name this {kind.name}: log it again" if left and kind is not None else ""
        return Kept(done, "strike", struck, note=note)


def rename(log: Path, reed: str, new: str, *, only: Sequence[str] = (), join: bool = False) -> Kept:
    """Give a reed another name: it and its readings, trims and outcomes are struck and entered again under that name.

    only: ids of entries to rename, where two reeds of the name were mixed. join: the new name is in the log, and is
    the same reed.
    """
    from trimfit.bench.journal import Journal
    from trimfit.bench.rename import rename

    with Journal(log) as journal:
        done = rename(journal, reed, new, only=only, join=join)
    went = ", ".join(f"{n} {kind}{'' if n == 1 else 's'}" for kind, n in done.moved.items() if kind != "reed")
    note = f"{done.reed[:60]} is {done.new_name[:60]} now; along went {went or 'nothing'}; the old entries are struck"
    return Kept(done.entry, "reed", done.new_name, bool(done.moved), note=note if done.moved else "")


def _keep(
    journal: Journal, record: object, about: str, doubts: tuple[Doubt, ...] = (), instead_of: str | None = None
) -> Kept:
    from trimfit.bench.kinds import kind_of_record

    before = journal.last_seq()
    logged = journal.append(record, doubts=doubts)
    return Kept(logged.entry, kind_of_record(record).name, about, logged.seq > before, doubts, instead_of)


def _revise(journal: Journal, entry: str, record: Any, given: Mapping[str, Any]) -> Kept:
    """Strike what is known of a thing and log it with what was said in its place, in one transaction."""
    name = str(getattr(record, dataclasses.fields(record)[0].name))
    changed = {key: value for key, value in given.items() if (value or None) != (getattr(record, key) or None)}
    if not changed:
        return _keep(journal, record, name)
    journal.strike(entry, f"revised: {', '.join(changed)}")
    return _keep(journal, dataclasses.replace(record, **changed), name, instead_of=entry)


def _moment(history: ReedHistory, at: str | None) -> str:
    """When an entry is made: as said, else now, in the manner of the reed's own times and after all of them."""
    from trimfit.bench.times import local_now
    from trimfit.desk.moments import moment

    return at if at is not None else moment(history, local_now())[0]


def _number(option: str, text: str | None, unit: str = "") -> float | None:
    from trimfit.units import parse_number

    if text is None:
        return None
    try:
        return parse_number(text.strip().removesuffix(unit))
    except InputError as error:
        raise InputError(error.what, option, error.remedy) from error


def _one_word(word: str) -> str:
    """A word of the command line as the line parser wants it: kept whole where there are blanks in it."""
    if not any(letter.isspace() for letter in word):
        return word
    name, equals, value = word.partition("=")
    return f'{name}="{value}"' if equals and '"' not in value else word


def _reference_hz(history: ReedHistory) -> float | None:
    """The pitch as low A that cents count from: the order's target, else the chanter's meeting pitch."""
    if history.order is not None and history.order.target_pitch_hz is not None:
        return history.order.target_pitch_hz
    return history.chanter.meeting_pitch_hz if history.chanter is not None else None
