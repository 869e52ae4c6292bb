"""Names that look like one another: a new name that is a known one with another case, a blank more, or a letter wrong.

Numbers in names tell things apart and are no slips: R-1 is not R-2, batch A not batch B.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from typing import TYPE_CHECKING

from trimfit.base.errors import short
from trimfit.base.records import Chanter, Doubt, Order, Reed

if TYPE_CHECKING:
    from trimfit.log.journal import Journal

# Words shorter than this are codes: a letter more or less makes another of them.
LONG_WORD = 4
_WORDS = re.compile(r"[^\W_]+")


def similar_name(name: str, known: Iterable[str]) -> str | None:
    """The known name that `name` is likely meant to be; None if it is known itself, or like none."""
    names = list(known)
    if name in names:
        return None
    words = _words(name)
    flat = "".join(words)
    for other in names:
        if flat and "".join(_words(other)) == flat:
            return other
    return next((other for other in names if _a_letter_apart(words, _words(other))), None)


def folded(name: str) -> str:
    """A name without what the eye does not see or the hand does not mean: case, blanks, Unicode form.

    Caseless matching of Unicode, section 3.13 (compatibility forms too).
    """
    if not name.isascii():
        from unicodedata import normalize

        name = normalize("NFKC", normalize("NFKC", name).casefold())
    return " ".join(name.casefold().split())


def twins(names: Iterable[str]) -> dict[str, str]:
    """Those names that are another one, said before, but for case, blanks or Unicode form -> that other."""
    first: dict[str, str] = {}
    return {name: other for name in names if (other := first.setdefault(folded(name), name)) != name}


def in_form_alone(pairs: Sequence[tuple[str, str, str]]) -> str:
    """The sentence about names that are known ones in another form, which may look the same: of each the name, what it
    names, and the known one."""
    said = [f"{short(name)!r} differs from the {short(word)} {short(like)!r}" for name, word, like in pairs]
    meant = " and ".join(dict.fromkeys(short(like) for *_, like in pairs))
    return f"{' and '.join(said)} in case, blanks or Unicode form alone; did you mean {meant}?"


def looks_like(name: str, word: str, like: str) -> str:
    """The sentence about a name that looks like a known one; word: what it names."""
    return f"The log has the {word} {short(like)!r}, and {short(name)!r} is not it; did you mean {short(like)}?"


def of_another_type(batch: str, usual: str, reed_type: str) -> str:
    """The sentence about a reed of another type than its batch's."""
    return f"Batch {short(batch)} is of type {short(usual)} so far, not {short(reed_type)}; is it right?"


def _words(name: str) -> list[str]:
    return _WORDS.findall(folded(name))


def _a_letter_apart(one: Sequence[str], other: Sequence[str]) -> bool:
    """Whether a single long word differs, and by one letter left out, put in, exchanged or wrong."""
    if len(one) != len(other):
        return False
    pairs = [(a, b) for a, b in zip(one, other, strict=True) if a != b]
    if len(pairs) != 1 or not all(word.isalpha() and len(word) >= LONG_WORD for word in pairs[0]):
        return False
    a, b = sorted(pairs[0], key=len)
    i = next((i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), len(a))
    if len(a) != len(b):
        return len(b) - len(a) == 1 and a[i:] == b[i + 1 :]
    return a[i + 1 :] == b[i + 1 :] or (a[i : i + 2] == b[i : i + 2][::-1] and a[i + 2 :] == b[i + 2 :])


def _alike(word: str, column: str, name: str, known: Iterable[str]) -> list[Doubt]:
    """The doubt that a name new to the log is a known one mistyped, if it looks like one."""
    like = similar_name(name, known)
    if like is None:
        return []
    sentence = looks_like(name, word, like)
    if folded(name) == folded(like):
        sentence = in_form_alone([(name, word, like)])
    return [Doubt("name-alike", column, sentence)]


def word_doubts(journal: Journal, record: Reed | Chanter | Order) -> tuple[list[Doubt], list[str]]:
    """Doubts about the shop's own words in a record, a chanter's kind, the reed type of its working crow and the weight
    of a reed or of an order's reeds, and which of them are new to the log: `new kind long bore`."""
    words: list[tuple[str, str, str | None, list[tuple[str, str]]]]
    if isinstance(record, Chanter):
        words = [
            ("kind", "kind", record.kind, [("chanter", "kind")]),
            ("type", "working_crow_type", record.working_crow_type, [("reed", "reed_type")]),
        ]
    else:
        words = [("weight", "weight", record.weight, [("reed", "weight"), ("order", "weight")])]
    doubts, fresh = [], []
    for word, column, said, kept_in in words:
        name = (said or "").strip()
        known = {row[0]: None for kind, there in kept_in if name for row in journal.columns(kind, [there])}
        if name and name not in known:
            alike = _alike(word, column, name, [one for one in known if one is not None])
            if column == "working_crow_type" and known and not alike:
                listed = short(", ".join(sorted(str(one) for one in known)), 120)
                # kept as a mark, and shown when such a reed may have been logged since
                sentence = f"No reed of type {short(name)!r} was logged before: until one is, its crow tells nothing."
                alike = [Doubt("crow-type", column, f"{sentence} Types known then: {listed}.")]
            doubts += alike
            if column != "working_crow_type" or name not in _crow_types(journal):
                fresh.append(f"new {word} {short(name)}")
    return doubts, fresh


def _crow_types(journal: Journal) -> dict[str, None]:
    """The types that the crows of chanters are said to be of: those are known before a reed of them is logged."""
    return {said: None for (said,) in journal.columns("chanter", ["working_crow_type"]) if said is not None}


def name_doubts(journal: Journal, record: Reed | Chanter | Order) -> tuple[list[Doubt], list[str]]:
    """Doubts about the names and words of a record not yet logged, and which of them are new: `new type Moulded`.

    A batch is of one type: another is asked about.
    """
    doubts, fresh = word_doubts(journal, record)
    if isinstance(record, Chanter):
        return _alike("chanter", "chanter", record.chanter, journal.chanters()) + doubts, fresh
    if isinstance(record, Order):
        return _alike("order", "order", record.order, journal.orders()) + doubts, fresh
    doubts = _alike("reed", "reed", record.reed, [reed for (reed,) in journal.columns("reed", ["reed"])]) + doubts
    more, new = place_doubts(journal, record)
    return doubts + more, fresh + new


def place_doubts(
    journal: Journal, record: Reed, columns: Collection[str] = ("reed_type", "batch"), but: Collection[str] = ()
) -> tuple[list[Doubt], list[str]]:
    """Doubts about the type and batch of a reed, and which of them are new; columns: those that were said; but: reeds
    that tell nothing, for they are moved with it."""
    rows = [row for row in journal.columns("reed", ["reed", "reed_type", "batch"]) if row[0] not in but]
    doubts, fresh = [], []
    types = dict.fromkeys(row[1] for row in rows) | _crow_types(journal)
    of_type = dict.fromkeys(row[2] for row in rows if row[1] == record.reed_type)
    others = {row[1] for row in rows if row[2] == record.batch}
    of_another = bool(others) and record.reed_type not in others
    of_reed = (("type", "reed_type", record.reed_type, types), ("batch", "batch", record.batch, of_type))
    for word, column, name, known in of_reed:
        doubts += _alike(word, column, name, known) if column in columns else []
        if name not in known and (column in columns or (of_another and column == "batch")):
            fresh.append(f"new {word} {short(name)}")
    if of_another:
        of = ", ".join(sorted(others))
        fresh[-1] += f" of {short(record.reed_type)} (there is one of {short(of)})"
        doubts.append(Doubt("batch-types", "reed_type", of_another_type(record.batch, of, record.reed_type)))
    return doubts, fresh
