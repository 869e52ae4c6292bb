"""Marks on entries: doubts that were accepted at entry, and what plain rules find doubtful in the whole log.

Rules only, no model: they hold before anything was learned. Each finding names its entry and says why in a sentence.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from trimfit.base.errors import command, short
from trimfit.base.iso_dates import at_s, local_now
from trimfit.base.pitch import NOTES
from trimfit.base.plain_words import counted
from trimfit.base.records import Trim
from trimfit.base.time_zones import machine_zone
from trimfit.entry.checks import (
    FEWEST_TRIMS,
    TWICE_S,
    after_leaving_doubt,
    ahead_doubt,
    before_made_doubt,
    day_doubt,
    gap_wide,
    humidity_doubt,
    long_trim,
    many_strokes,
    slip_bound,
    twice_doubt,
    unbalanced,
)
from trimfit.entry.similar_names import folded, in_form_alone, looks_like, of_another_type, similar_name, twins
from trimfit.entry.typing_slips import median
from trimfit.log import whole_days
from trimfit.log.entry_kinds import KINDS
from trimfit.log.instants import reordered
from trimfit.log.queries import LIVE, join_commands, unknown

if TYPE_CHECKING:
    from trimfit.base.records import Settings
    from trimfit.log.entry_counts import Conflict
    from trimfit.log.journal import Journal

# Octave slips of a crow lie inside what a crow may be; the crows of one shop lie within a few semitones.
CROW_OCTAVE = (0.6, 1.7)
# So many words of a kind, the most used, are held against one another; so many batches with reeds of two types are no
# slip where they are most of all.
MOST_WORDS, OWN_NUMBERS = 200, 3
# So many entries are listed that name what was struck, each by as much of its id as names it.
MOST_LISTED, SHORT_ID = 8, 10


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark on an entry: `kind` is a short key such as `a-unbalanced`, `reed` is empty where none is meant."""

    entry: str
    reed: str
    kind: str
    sentence: str


def _long_trims(journal: Journal, after_seq: int) -> Iterator[Mark]:
    """Trims whose amount looks like a slip, by what is usual on reeds of their type in the whole log."""
    type_of = dict(journal.columns("reed", ["reed", "reed_type"]))
    columns = ["seq", "entry", "reed", "done_at", "length_mm", "lip_strokes", "asked_mm"]
    rows = [(type_of.get(row[2], ""), *row) for row in journal.columns("trim", columns)]
    usual: dict[str, tuple[list[float], list[float]]] = defaultdict(lambda: ([], []))
    for reed_type, *_, length_mm, strokes, _ in rows:
        usual[reed_type][0].extend([length_mm] if length_mm else [])
        usual[reed_type][1].extend([strokes] if strokes else [])
    # Once a type: each sorts all of its trims.
    bounds = {one: (slip_bound(cuts_mm)[0], slip_bound(strokes)[0]) for one, (cuts_mm, strokes) in usual.items()}
    for reed_type, seq, entry, reed, done_at, length_mm, strokes, asked_mm in rows:
        if seq <= after_seq:
            continue
        cuts_mm, of_strokes = usual[reed_type]
        bound_mm, usual_strokes = bounds[reed_type]
        few = len(cuts_mm) < FEWEST_TRIMS
        if (few or (length_mm or 0.0) > bound_mm) and (
            sentence := long_trim(Trim(reed, done_at, length_mm, None, asked_mm), cuts_mm, reed_type)
        ):
            yield Mark(entry, reed, "trim-long", sentence)
        usual_strokes = usual_strokes if len(of_strokes) >= FEWEST_TRIMS else 0.0
        for doubt in many_strokes(strokes or 0.0, usual_strokes):
            yield Mark(entry, reed, doubt.kind, doubt.sentence)


def rule_marks(journal: Journal, *, after_seq: int = 0) -> list[Mark]:
    """What the rules find doubtful among the entries after `after_seq`, in the order they came."""
    settings, scale = journal.settings(), journal.scale()
    marks: list[Mark] = []
    names = [
        "entry",
        "reed",
        "low_a_hz",
        "high_a_hz",
        "pressure_kpa",
        "taped",
        "crow_hz",
        "humidity_pct",
        "f_hz",
        "e_hz",
    ]
    rows = journal.columns("reading", names, after_seq=after_seq)
    # What is usual is asked of the whole log, not only of what is new.
    every = rows if not after_seq or not rows else journal.columns("reading", names)
    crows = [row[6] for row in every if row[6] is not None]
    usual_crow = median(crows) if len(crows) >= FEWEST_TRIMS else None
    for entry, reed, low_a, high_a, pressure_kpa, taped, crow, humidity_pct, f_hz, e_hz in rows:
        if low_a is not None and high_a is not None and not (taped and {"low_a", "high_a"} & {*taped.split()}):
            over_hz = unbalanced(low_a, high_a, pressure_kpa, settings, scale)
            if over_hz is not None:
                side = "over" if over_hz > 0 else "under"
                sentence = f"high A {abs(over_hz):.1f} Hz {side} low A, as low A"
                marks.append(Mark(entry, reed, "a-unbalanced", sentence))
        if f_hz is not None and e_hz is not None and not (taped and {"f", "e"} & {*taped.split()}):
            if wide := gap_wide(f_hz, e_hz, scale):
                marks.append(Mark(entry, reed, wide.kind, wide.sentence))
        if crow is not None and usual_crow is not None and not CROW_OCTAVE[0] < crow / usual_crow < CROW_OCTAVE[1]:
            sentence = f"a crow of {crow:.5g} Hz, where {usual_crow:.4g} Hz is usual; is it an octave off?"
            marks.append(Mark(entry, reed, "crow-octave", sentence))
        if dry := humidity_doubt(humidity_pct):
            marks.append(Mark(entry, reed, dry.kind, dry.sentence))
    marks += _typed_twice(journal, after_seq)
    marks += _long_trims(journal, after_seq)
    marks += _in_no_chanter(journal, after_seq)
    marks += _of_no_such_reed(journal, settings.time_zone, after_seq)
    marks += _names_twice(journal, after_seq)
    marks += _batches_of_two_types(journal, after_seq)
    return [*marks, *_of_times(journal, settings, after_seq)]


def _typed_twice(journal: Journal, after_seq: int) -> Iterator[Mark]:
    """Readings and trims that say what the reed's entry before them says, within a minute of it."""
    for name, same in (("reading", None), ("trim", ("length_mm", "lip_strokes"))):
        kind = KINDS[name]
        columns = same or [one for one in kind.names if one not in ("reed", kind.time, "remark")]
        alike = " AND ".join(f'again."{one}" IS first."{one}"' for one in columns)
        between = "".join(
            f" AND NOT EXISTS (SELECT 1 FROM {KINDS[other].table} WHERE reed = again.reed AND at_s BETWEEN first.at_s "
            f"AND again.at_s AND (at_s, seq) > (first.at_s, first.seq) AND (at_s, seq) < (again.at_s, again.seq) "
            f"AND {LIVE})"
            for other in ("reading", "trim", "event")
        )
        query = (
            f"SELECT again.entry, again.reed, again.at_s - first.at_s FROM (SELECT * FROM {kind.table} "
            f"WHERE seq > ? AND {LIVE}) AS again JOIN (SELECT * FROM {kind.table} WHERE {LIVE}) AS first "
            f"ON first.reed = again.reed AND first.at_s > again.at_s - ? AND first.at_s < again.at_s AND {alike}"
            f"{between} ORDER BY again.seq"
        )
        with journal.reading() as connection:
            for entry, reed, after_s in connection.execute(query, (after_seq, TWICE_S)):
                doubt = twice_doubt(kind, after_s)
                yield Mark(entry, reed, doubt.kind, doubt.sentence)


def _in_no_chanter(journal: Journal, after_seq: int) -> Iterator[Mark]:
    """One mark for all readings of notes that name no chanter: they count for their reeds as if the chanter were the
    mean of the shop's, and tell of no chanter."""
    notes = [f"{note}_hz" for note in NOTES]
    rows = journal.columns("reading", ["entry", "reed", "chanter", *notes], after_seq=after_seq)
    found = [(row[0], row[1]) for row in rows if row[2] is None and any(hz is not None for hz in row[3:])]
    if found:
        entry, reed = found[0]
        remedy = command("log", "amend", entry, "chanter=NAME")
        used = "for its reed as if read in a chanter like the mean of the shop's, and for no chanter"
        sentence = f"a reading of notes names no chanter: it counts {used}. To name it: {remedy}"
        if len(found) > 1:
            used = used.replace("its reed", "their reeds")
            reeds = list(dict.fromkeys(one for _, one in found))
            named = ", ".join(short(one) for one in reeds[:3]) + " …" * (len(reeds) > 3)
            of = f" (of {named})" if reeds[1:] else ""
            reed = "" if reeds[1:] else reed  # a mark that is about several is of none of them
            sentence = (
                f"{len(found):,} readings of notes{of} name no chanter: they count {used}. To name one: {remedy}; to "
                "name all: fill the column chanter in readings.csv and import the folder into a new log"
            )
        yield Mark(entry, reed, "no-chanter", sentence)


def _of_no_such_reed(journal: Journal, zone: str, after_seq: int) -> Iterator[Mark]:
    """Entries of a reed that was not made yet then, or readings and trims of one that had left the bench."""
    made_on = dict(journal.columns("reed", ["reed", "made_on"]))
    left: dict[str, tuple[str, str, float]] = {}
    for reed, outcome, at, then_s in journal.columns("outcome", ["reed", "outcome", "at", "at_s"]):
        if reed not in left or then_s >= left[reed][2]:
            left[reed] = outcome, at, then_s
    back = {
        reed for reed, then_s in journal.columns("event", ["reed", "at_s"]) if reed in left and then_s > left[reed][2]
    }
    chanters = journal.chanters()
    away = {
        name: one.chanter
        for name, one in journal.orders().items()
        if one.chanter in chanters and chanters[one.chanter].at_hand == "no"
    }
    went_to = {reed: away[order] for reed, order in journal.columns("reed", ["reed", "order"]) if order in away}
    for kind in KINDS.values():
        if not kind.time or "reed" not in kind.names:
            continue
        where = ["chanter"] if kind.name == "reading" else []
        for entry, reed, time, then_s, *read_in in journal.columns(
            kind.name, ["entry", "reed", kind.time, "at_s", *where], after_seq=after_seq
        ):
            found = before_made_doubt(reed, time, kind.time, made_on.get(reed))
            at_its_owners = reed in went_to and read_in == [went_to[reed]] and left.get(reed, ("",))[0] == "good"
            if reed in left and reed not in back and not at_its_owners:
                found += after_leaving_doubt(kind.name, reed, then_s, *left[reed], zone)
            for doubt in found:
                yield Mark(entry, reed, doubt.kind, doubt.sentence)


def _names_twice(journal: Journal, after_seq: int) -> Iterator[Mark]:
    """Names of reeds, chanters, orders, types and batches, and words for kinds and weights, that are known ones in
    another case or Unicode form; and, but for reeds and batches, which are numbered, those that look like one used more
    often."""
    named: list[tuple[str, int, str, str, str]] = []
    for kind in ("chanter", "order"):
        named += [(kind, seq, entry, "", name) for seq, entry, name in journal.columns(kind, ["seq", "entry", kind])]
    for seq, entry, reed, reed_type, batch in journal.columns("reed", ["seq", "entry", "reed", "reed_type", "batch"]):
        words = (("reed", reed), ("type", reed_type), (f"batch of {reed_type}", batch))
        named += [(word, seq, entry, reed, name) for word, name in words]
    for kind, word in (("chanter", "kind"), ("order", "weight"), ("reed", "weight")):
        for seq, entry, about, said in journal.columns(kind, ["seq", "entry", kind, word]):
            named += [(word, seq, entry, about if kind == "reed" else "", said)] if said is not None else []
    by_word: dict[str, dict[str, tuple[int, str, str]]] = defaultdict(dict)
    used: dict[str, Counter[str]] = defaultdict(Counter)
    for word, seq, entry, reed, name in named:
        by_word[word].setdefault(name, (seq, entry, reed))
        used[word][name] += 1
    doubted = _doubted(journal, "name-alike")
    asked = {(word, name) for word, _, entry, _, name in named if entry in doubted}
    for word in ("type", "chanter", "order", "kind", "weight"):
        often = [name for name, _ in used[word].most_common(MOST_WORDS) if (word, name) not in asked]
        for i, name in enumerate(often):
            seq, entry, reed = by_word[word][name]
            if seq > after_seq and (like := similar_name(name, often[:i])) and folded(name) != folded(like):
                yield Mark(entry, reed, "name-alike", looks_like(name, word, like))
    found: dict[tuple[str, str], list[tuple[str, str, str]]] = defaultdict(list)
    for word, first in by_word.items():
        for name, other in twins(first).items():
            seq, entry, reed = first[name]
            if seq > after_seq:
                found[(entry, reed)].append((name, word, other))
    for (entry, reed), pairs in found.items():
        yield Mark(entry, reed, "name-alike", in_form_alone(pairs))


def _doubted(journal: Journal, kind: str) -> set[str]:
    """The entries of which a doubt of this kind was said when they were made."""
    return {entry for entry, text in journal.accepted_doubts() if text.startswith(f"{kind}:")}


def _batches_of_two_types(journal: Journal, after_seq: int) -> Iterator[Mark]:
    """Batches that have reeds of several types, of which the rarer may be a slip; none where a shop numbers the batches
    of each type by themselves, so that most names are there more than once."""
    of_batch: dict[str, dict[str, tuple[int, str, str]]] = defaultdict(dict)
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    rows = journal.columns("reed", ["seq", "entry", "reed", "reed_type", "batch"])
    for seq, entry, reed, reed_type, batch in rows:
        of_batch[batch].setdefault(reed_type, (seq, entry, reed))
        counts[batch][reed_type] += 1
    several = [batch for batch, types in of_batch.items() if len(types) > 1]
    if len(several) >= OWN_NUMBERS and 2 * len(several) > len(of_batch):
        return
    doubted = _doubted(journal, "batch-types")
    asked = {batch for _, entry, _, _, batch in rows if entry in doubted}
    for batch in (one for one in several if one not in asked):
        usual = counts[batch].most_common(1)[0][0]
        for reed_type, (seq, entry, reed) in of_batch[batch].items():
            if reed_type != usual and seq > after_seq:
                yield Mark(entry, reed, "batch-types", of_another_type(batch, usual, reed_type))


def _of_times(journal: Journal, settings: Settings, after_seq: int) -> Iterator[Mark]:
    """Reeds made on a day that may be a slip, and entries of a time that is yet to come, of no known order, or in
    another order on this machine's clock."""
    now_s = at_s(local_now())
    made = journal.columns("reed", ["entry", "reed", "made_on"], after_seq=after_seq)
    doubts_of = {day: day_doubt("made_on", day, now_s) for day in {day for *_, day in made}}
    for entry, reed, day in made:
        for doubt in doubts_of[day]:
            yield Mark(entry, reed, doubt.kind, doubt.sentence)
    with journal.reading() as connection:
        for kind in KINDS.values():
            if kind.time and "reed" in kind.names:
                query = (
                    f'SELECT entry, reed, "{kind.time}", at_s FROM {kind.table} WHERE at_s > ? AND seq > ? AND {LIVE}'
                )
                for entry, reed, time, instant_s in connection.execute(query, (now_s, after_seq)):
                    for doubt in ahead_doubt(instant_s, time, kind.time, now_s, settings.time_zone):
                        yield Mark(entry, reed, doubt.kind, doubt.sentence)
        if after_seq:
            return
        for entry, reed, sentence in whole_days.in_log(connection):
            yield Mark(entry, reed, "order-unknown", sentence)
        here = machine_zone()
        for reed in reordered(connection, here) if settings.time_zone == "UTC" != here else ():
            sentence = (
                f"its times without an offset are read in UTC; in this machine's zone its entries stand in another "
                f"order: if that is right, {command('settings', 'time_zone', here)}"
            )
            yield Mark("", reed, "time-zone", sentence)


def accepted(journal: Journal) -> list[Mark]:
    """The doubts that were said and accepted when their entries were made."""
    marks = []
    for entry, text in journal.accepted_doubts():
        kind, _, sentence = text.partition(": ")
        marks.append(Mark(entry, journal.reed_of_entry(entry), kind, sentence))
    return marks


def in_conflict(conflicts: Sequence[Conflict], theirs: Mapping[str, str] | None = None) -> list[Mark]:
    """Entries that stand aside for another of the same key, with the way out.

    theirs: entry -> the log it has just come from, of those that did, by its path.
    """
    came = theirs or {}
    marks = []
    for conflict in conflicts:
        reed = conflict.key.split(" at ")[0] if KINDS[conflict.kind].key[0] == "reed" else ""
        for entry in conflict.aside:
            ours, other = (
                conflict.said.get(one, "") + (f", from {short(Path(came[one]).name)}" if one in came else "")
                for one in (conflict.kept, entry)
            )
            sentence = (
                f"two benches have {conflict.kind} {short(conflict.key)} with different {', '.join(conflict.differs)}: "
                f"{conflict.kept} ({ours}) counts, {conflict.why[entry]}; this one ({other}) stands aside; "
                f"if this is the right one: {command('log', 'strike', conflict.kept)}, if it is wrong: "
                f"{command('log', 'strike', entry)}"
            )
            if reed:
                log = next((came[one] for one in (entry, conflict.kept) if one in came), "OTHER_LOG")
                part = command("merge", log, "--rename", f"{reed}=NEW")
                alone = command("log", "rename", reed, "NEW", "--entry", entry)
                sentence += f"; where they are two reeds: {part}" + (
                    f", or name all entries of this one: {alone} --entry …" if conflict.kind == "reed" else ""
                )
            marks.append(Mark(entry, reed, "conflict", sentence))
    return marks


def renamed_apart(journal: Journal) -> list[Mark]:
    """One mark for each reed that was renamed differently at two benches, on its entry of the last name."""
    from trimfit.log.merging.rename import renamed_apart

    with journal.reading() as connection:
        found = renamed_apart(connection)
    marks = []
    for name, names in found:
        reed = journal.entry_of("reed", names[-1])
        sentence = (
            f"reed {short(name)} was renamed at two benches, and stands as {' and as '.join(map(short, names))}: "
            f"what was logged of it before counts twice; to make it one reed again: {join_commands(names)}"
        )
        marks.append(Mark(reed.entry if reed is not None else "", names[-1], "renamed-apart", sentence))
    return marks


def bad_values(journal: Journal) -> list[Mark]:
    """Entries that hold a value which nobody could have typed, with the way out; settings among them do not count."""
    from trimfit.log.file.integrity import value_faults

    return [
        Mark(entry, reed, "value-bad", f"{wrong}; no such value can be meant: {command('log', 'strike', entry)}")
        for entry, reed, wrong in value_faults(journal)
    ]


def struck_names(journal: Journal) -> list[Mark]:
    """One mark for all entries that name a reed, order or chanter all of whose entries were struck, on the first."""
    naming: dict[tuple[str, str], dict[str, str]] = defaultdict(dict)
    for entry, reed, kind, name in journal.names_of_struck():
        naming[kind, name][entry] = reed
    marks = []
    with journal.reading() as connection:
        for (kind, name), reeds in naming.items():
            first, *more = reeds
            struck = unknown(connection, KINDS[kind], name)
            named = counted(len(reeds), "entry names it", "entries name it")
            these = ", ".join(one[:SHORT_ID] for one in (first, *more)[:MOST_LISTED]) + " …" * (
                len(reeds) > MOST_LISTED
            )
            sentence = f"{struck.what}, and {named}; {struck.remedy}, or strike {f'these: {these}' if more else 'this'}"
            reed = reeds[first] if len({*reeds.values()}) == 1 else ""
            marks.append(Mark(first, reed, f"{kind}-struck", sentence))
    return marks
