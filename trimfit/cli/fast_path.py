"""The short way for the verbs used with a reed in one hand: `ask REED`, and `log reading`, `trim`, `event`,
`outcome`, `amend`, `strike`.

They answer without loading the whole command line. Whatever is not plainly one of them (help, an unknown option, a
missing word) goes the long way, which knows how to say what is wrong. Both ways call the same and print the same.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

DEFAULT_LOG = "bench.trimfit"
_WHEN = {"--at": "at", "--after": "after", "--remark": "remark"}
_READ = {f"--{name}": name for name in ("chanter", "pressure", "temperature", "humidity", "taped")}
# Verb: its function in `verbs`, how many words come first, whether words without end follow, and its options.
VERBS: dict[str, tuple[str, int, bool, dict[str, str]]] = {
    "reading": ("log_reading", 1, True, _READ | _WHEN),
    "trim": ("log_trim", 1, False, {"--length": "length", "--lip": "lip", "--asked": "asked", **_WHEN}),
    "event": ("log_event", 1, True, _WHEN),
    "outcome": ("log_outcome", 2, False, _WHEN),
    "amend": ("amend_entry", 1, True, {}),
    "strike": ("strike", 1, False, {"--at": "at", "--why": "why"}),
}


def answered(arguments: Sequence[str]) -> int | None:
    """Answer a call if it is one of the quick verbs, spelled out in full; its exit code, or None if it is not one."""
    rest = list(arguments)
    log = os.environ.get("TRIMFIT_LOG") or DEFAULT_LOG
    if len(rest) > 1 and rest[0] == "--log":
        log, rest = rest[1], rest[2:]
    elif rest and rest[0].startswith("--log="):
        log, rest = rest[0][len("--log=") :], rest[1:]
    if len(rest) < 2 or not log:
        return None
    if rest[0] == "ask":
        asked = _taken(rest[1:], {"--at": "at"})
        if asked is None or len(asked[0]) != 1:
            return None
        return _ask(Path(log), asked[0][0], asked[1].get("at"), asked[2])
    if rest[0] != "log" or rest[1] not in VERBS:
        return None
    function, first, endless, options = VERBS[rest[1]]
    taken = _taken(rest[2:], options)
    if taken is None:
        return None
    words, said, as_json = taken
    if not (len(words) > first if endless else len(words) == first):
        return None
    return _answer(function, Path(log), [*words[:first], *([words[first:]] if endless else [])], said, as_json)


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


def _answer(function: str, log: Path, words: Sequence[object], said: dict[str, str], as_json: bool) -> int:
    def lines() -> list[str]:
        from trimfit.cli.output.entry_words import log_and_say
        from trimfit.session.session import Session

        call = _verb(function)
        with Session(log) as session:
            log_and_say(
                lambda **sure: call(session, *words, **said, **sure), as_json, checked_after=function == "log_reading"
            )
        return []

    return _printed(lines)


def _verb(function: str) -> Callable[..., Any]:
    if function == "amend_entry":
        from trimfit.verbs.corrections.amend import amend_entry

        return amend_entry
    from trimfit.verbs import log

    found: Callable[..., Any] = getattr(log, function)
    if function == "strike":  # which has no doubt to be sure of
        return lambda *words, sure, **said: found(*words, **said)
    return found


def _ask(log: Path, reed: str, at: str | None, as_json: bool) -> int:
    def lines() -> list[str]:
        from trimfit.base.dates import asked_s
        from trimfit.base.progress import quiet
        from trimfit.cli.output.entry_words import advice_in_words
        from trimfit.cli.output.json_values import json_text, progress
        from trimfit.cli.output.screen import answer_is_all
        from trimfit.session.session import Session
        from trimfit.verbs.ask import ask_reed

        answer_is_all()
        with Session(log, progress=quiet if as_json else progress) as session:
            advice = ask_reed(session, reed, at_s=asked_s(at))
        return [json_text(advice)] if as_json else advice_in_words(advice)

    return _printed(lines)


def _printed(answer: Callable[[], list[str]]) -> int:
    """Print what an answer says, or what is wrong; the exit code."""
    from trimfit.base.errors import InputError, TrimfitError

    try:
        if lines := answer():
            sys.stdout.write("\n".join(lines) + "\n")
        sys.stdout.flush()
    except TrimfitError as error:
        for line in error.lines() if isinstance(error, InputError) else [error.line()]:
            sys.stderr.write(" ".join(line.split()) + "\n")
        return error.exit_code
    except KeyboardInterrupt:
        sys.stderr.write("stopped; all that was acknowledged is in the log\n")
        return 1
    except Exception as error:  # never a traceback for the person at the bench
        if os.environ.get("TRIMFIT_TRACEBACK"):
            raise
        remedy = "the log is unharmed; set TRIMFIT_TRACEBACK=1 and run it again to see where"
        sys.stderr.write(f"trimfit: {type(error).__name__}: {error}; {remedy}\n")
        return 1
    return 0
