"""The short way for the verbs used with a reed in one hand: `ask REED`, and `log reading`, `trim`, `event`,
`outcome`, `amend`, `strike`.

They answer without loading the whole command line. Whatever is not plainly one of them (help, an unknown option, a
missing word) goes the long way, which knows how to say what is wrong. Both ways call the same and print the same.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from trimfit.base.errors import log_is_named

DEFAULT_LOG = "bench.trimfit"
VERBS = ("reading", "trim", "event", "outcome", "amend", "strike")


def answered(arguments: Sequence[str]) -> int | None:
    """Answer a call if it is one of the quick verbs, spelled out in full; its exit code, or None if it is not one."""
    rest = list(arguments)
    named: str | None = None
    if len(rest) > 1 and rest[0] == "--log":
        named, rest = rest[1], rest[2:]
    elif rest and rest[0].startswith("--log="):
        named, rest = rest[0][len("--log=") :], rest[1:]
    if len(rest) < 2 or named == "":
        return None
    log = named or os.environ.get("TRIMFIT_LOG") or DEFAULT_LOG
    if rest[0] == "ask":
        asked = _taken(rest[1:], {"--at": "at"})
        if asked is None or len(asked[0]) != 1:
            return None
        (reed,), said, as_json = asked
        return _printed(lambda: _ask(Path(log), reed, said.get("at"), as_json), named)
    return _entry(Path(log), named, rest[1], rest[2:]) if rest[0] == "log" and rest[1] in VERBS else None


def _entry(log: Path, named: str | None, name: str, arguments: list[str]) -> int | None:
    """Log an entry. The verb's function says what is taken: a word for each argument after the session (all that are
    left for `words`), and an option for each keyword that is a text."""
    verb = _verb(name)
    taken = _taken(arguments, options_of(verb))
    if taken is None:
        return None
    words, said, as_json = taken
    wanted = verb.__code__.co_varnames[1 : verb.__code__.co_argcount]
    given: list[object] = [*words]
    if wanted[-1] == "words" and len(words) >= len(wanted):
        given[len(wanted) - 1 :] = [words[len(wanted) - 1 :]]
    if len(given) != len(wanted):
        return None

    def log_it() -> None:
        from trimfit.cli.output.entry_words import log_and_say
        from trimfit.session.session import Session

        with Session(log) as session:
            log_and_say(session, verb, *given, as_json=as_json, **said)

    return _printed(log_it, named)


def _verb(name: str) -> Callable[..., Any]:
    if name == "amend":
        from trimfit.verbs.corrections.amend import amend_entry

        return amend_entry
    from trimfit.verbs import log

    found: Callable[..., Any] = getattr(log, name if name == "strike" else f"log_{name}")
    return found


def options_of(verb: Callable[..., Any]) -> dict[str, str]:
    """The options of a verb that logs, and the keyword that each fills."""
    return {f"--{name}": name for name in verb.__kwdefaults__ or () if verb.__annotations__[name] == "str | None"}


def _taken(arguments: list[str], options: dict[str, str]) -> tuple[list[str], dict[str, str], bool] | None:
    """Words, options and whether JSON is wanted; None for anything that is not plain."""
    words: list[str] = []
    said: dict[str, str] = {}
    as_json, i = False, 0
    while i < len(arguments):
        word = arguments[i]
        i += 1
        if word == "--json":
            as_json = True
        elif word.startswith("-") and not word[1:2].isdigit():  # -15 is a crow among numbers alone
            name, equals, value = word.partition("=")
            if name not in options or options[name] in said:
                return None
            if not equals:
                if i == len(arguments):
                    return None
                value = arguments[i]
                i += 1
            said[options[name]] = value
        else:
            words.append(word)
    return words, said, as_json


def _ask(log: Path, reed: str, at: str | None, as_json: bool) -> None:
    from trimfit.base.progress import quiet
    from trimfit.cli.output.answers import answer
    from trimfit.cli.output.entry_words import advice_in_words, moment_asked
    from trimfit.cli.output.screen import answer_is_all, progress
    from trimfit.session.session import Session
    from trimfit.verbs.ask import ask_reed

    answer_is_all()
    with Session(log, progress=quiet if as_json else progress) as session:
        advice = ask_reed(session, reed, at_s=moment_asked(at))
    answer(as_json, advice, lambda: advice_in_words(advice))


def _printed(run: Callable[[], None], named: str | None) -> int:
    from trimfit.cli.output.failures import exit_code_of

    log_is_named(named)
    try:
        return exit_code_of(run)
    finally:
        log_is_named(None)
