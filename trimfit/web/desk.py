"""The log behind the page: what is entered and what is asked, each in a thread of its own, one thing at a time.

An entry never waits for an answer that takes long (a review of the whole shop): they have threads apart. SQLite lets
each in turn. A fit that is due and the work list of the run are made in the background, which rests while anybody
waits for an entry or an answer.
"""

from __future__ import annotations

import asyncio
import json
import math
import threading
import time
from collections.abc import Callable
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any, Concatenate, ParamSpec, TypeVar

from trimfit.base.errors import LogError
from trimfit.base.records import Doubt
from trimfit.log.entry_kinds import kind_of_entry
from trimfit.log.sent_forms import entry_of_form, keep_form
from trimfit.session.order_progress import Progress
from trimfit.session.session import Session
from trimfit.verbs.log import EntryResult
from trimfit.web.work_list import Waiting, WorkList

P = ParamSpec("P")
T = TypeVar("T")
PATIENCE_S = 20.0
"""A page waits so long for a review before it says that it is still being worked out."""
SHORT_PATIENCE_S = 1.0
"""And so long for the answer about a reed, whose page has a form to be filled in meanwhile."""
QUICK = ("entries", "answers")
"""The threads that somebody waits for."""
REST_S, LONGEST_REST_S = 0.3, 0.6
"""The background goes on when nobody waited for so long; and after the second in any case."""


class NotYet(Exception):
    """An answer takes longer than a page waits. `step`: what is being done, as far as it said so."""

    def __init__(self, step: str) -> None:
        self.step = step
        super().__init__(step)


class Desk:
    """One log, open for the page. patience_s: how long a page waits for a review, short_patience_s: for the answer
    about a reed."""

    def __init__(
        self, log: Path, *, patience_s: float = PATIENCE_S, short_patience_s: float = SHORT_PATIENCE_S
    ) -> None:
        self.log, self.patience_s, self.short_patience_s = log, patience_s, short_patience_s
        self._threads = {
            name: ThreadPoolExecutor(1, f"trimfit-{name}") for name in (*QUICK, "lists", "reviews", "background")
        }
        self._sessions: dict[str, Session] = {}
        self._opening = threading.Lock()
        self._under_way: dict[object, Future[Any]] = {}
        self._step = ""
        self._list = WorkList()
        self._due = threading.Event()  # the work list may be out of date
        self._closing = False
        self._counting = threading.Lock()
        self._waited_for, self._last_waited_s = 0, 0.0
        self._listing: Future[None] | None = None

    async def enter(self, verb: Callable[Concatenate[Session, P], T], *args: P.args, **options: P.kwargs) -> T:
        """What a verb that logs answers; what it logged is on the disk by then."""
        kept = await asyncio.wrap_future(self._submit("entries", verb, *args, **options))
        self.list_anew()
        return kept

    async def enter_once(
        self, token: str, verb: Callable[Concatenate[Session, P], EntryResult], *args: P.args, **options: P.kwargs
    ) -> EntryResult:
        """As `enter`, for the form of this token: sent again it logs nothing, and answers with the entry it became.

        A script that sends no token has each of its forms logged.
        """
        if not token:
            return await self.enter(verb, *args, **options)
        return await self.enter(_once, token, verb, *args, **options)

    async def look(self, verb: Callable[Concatenate[Session, P], T], *args: P.args, **options: P.kwargs) -> T:
        """What a verb answers that reads a little of the log and works nothing out."""
        return await asyncio.wrap_future(self._submit("entries", verb, *args, **options))

    async def answer(self, verb: Callable[Concatenate[Session, P], T], *args: P.args, **options: P.kwargs) -> T:
        """What a verb answers about reeds, under the fitted model that the log keeps. Raises NotYet where that takes
        long; asked again, it is the same answer."""
        return await self._waited("answers", self.short_patience_s, verb, *args, **options)

    async def review(self, verb: Callable[Concatenate[Session, P], T], *args: P.args, **options: P.kwargs) -> T:
        """What a verb answers that looks through the whole log, or fits it first where that is due, as the command
        does; as `answer`, in a thread of its own."""
        return await self._waited("reviews", self.patience_s, verb, *args, **options)

    async def work_list(self) -> tuple[list[Waiting], list[Progress]]:
        """The run with the advice that is known, and its open orders; what is not known is worked out from now on."""
        found = await self._waited("lists", self.patience_s, self._list.look)
        if self._listing is None or self._listing.done():
            if self._listing is not None:
                self._listing.result()  # what kept it from being worked out
            self.list_anew()
        return found

    def list_anew(self) -> None:
        """Have the background see to the work list."""
        if not self._due.is_set():
            self._due.set()
            self._listing = self._submit("background", self._work_out)

    def _work_out(self, session: Session) -> None:
        self._rest()  # what made the list due is answered first
        self._due.clear()
        self._list.work_out(session, self._rest)

    def _rest(self) -> bool:
        """Wait while anybody waits for an entry or an answer; whether the work list is to be begun anew.

        Raises CancelledError where the desk is being closed.
        """
        end_s = time.monotonic() + LONGEST_REST_S
        while not self._closing and time.monotonic() < min(end_s, self._waited_until_s() + REST_S):
            time.sleep(0.02)
        if self._closing:
            raise CancelledError
        return self._due.is_set()

    def _waited_until_s(self) -> float:
        return math.inf if self._waited_for else self._last_waited_s

    async def _waited(self, thread: str, patience_s: float, verb: Callable[..., T], *args: Any, **options: Any) -> T:
        key = (verb, args, tuple(options.items()))
        under_way = self._under_way.pop(key, None) or self._submit(thread, verb, *args, **options)
        try:
            found: T = await asyncio.wait_for(asyncio.shield(asyncio.wrap_future(under_way)), patience_s)
        except TimeoutError:
            self._under_way[key] = under_way
            raise NotYet(self._step) from None
        return found

    def _submit(self, thread: str, verb: Callable[..., T], *args: Any, **options: Any) -> Future[T]:
        waited_for = thread in QUICK

        def done() -> T:
            session = self._session(thread)
            try:
                return verb(session, *args, **options)
            except LogError:
                # Another file lies where the log was: the next one opens what is there then.
                self._sessions.pop(thread).journal.close()
                raise
            finally:
                if waited_for:
                    self._wait(-1)

        if waited_for:
            self._wait(1)
        return self._threads[thread].submit(done)

    def _wait(self, more: int) -> None:
        """So many more wait for an entry or an answer."""
        with self._counting:
            self._waited_for += more
            self._last_waited_s = time.monotonic()

    def _session(self, thread: str) -> Session:
        """The session of a thread, opened by it at its first use: SQLite wants a connection to stay in its thread."""
        if thread not in self._sessions:
            with self._opening:
                session = self._sessions[thread] = Session(self.log)
                session.fits = thread not in QUICK
                session.progress = partial(self._progress, session, thread)
        return self._sessions[thread]

    def _progress(self, session: Session, thread: str, step: str, done: int, whole: int) -> None:
        self._step = f"{step}, {done:,} of {whole:,}" if whole > 1 else step
        if thread in ("reviews", "background") and not session.journal.in_transaction:
            self._rest()

    def close(self) -> None:
        """Wait for what is under way and is wanted, and close the log."""
        self._closing = True
        for name, thread in self._threads.items():
            if name in self._sessions:
                thread.submit(self._sessions[name].journal.close)
            thread.shutdown()


def _once(session: Session, token: str, verb: Callable[..., EntryResult], *args: Any, **options: Any) -> EntryResult:
    """What the form of a token became: logged now with the token and the answer beside it in one transaction, or long
    since; then the answer is the one that was given, but that it is not new."""
    with session.journal.writing():
        before = entry_of_form(session.journal, token)
        if before is not None:
            entry, answer = before
            if answer is not None:
                return _answered_again(answer)
            kind = kind_of_entry(entry)
            return EntryResult(
                entry, kind.name if kind is not None else "entry", session.journal.name_of(entry), new=False
            )
        kept = verb(session, *args, **options)
        keep_form(session.journal, token, kept.entry, json.dumps(asdict(kept)))
        return kept


def _answered_again(answer: str) -> EntryResult:
    said = json.loads(answer)
    doubts = [
        Doubt(**{**doubt, "meant": tuple((column, value) for column, value in doubt["meant"])})
        for doubt in said.pop("doubts")
    ]
    lists = {name: tuple(said.pop(name)) for name in ("entries", "remedy")}
    return EntryResult(**{**said, **lists, "doubts": tuple(doubts), "new": False})
