"""The log behind the page: what is entered and what is asked, each in a thread of its own, one thing at a time.

An entry never waits for an answer that takes long (a fit that is due, a review of the whole shop): they have threads
apart. SQLite lets each in turn.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any, Concatenate, ParamSpec, TypeVar

from trimfit.base.errors import LogError
from trimfit.log.entry_kinds import kind_of_entry
from trimfit.log.forms import entry_of_form, keep_form
from trimfit.session.session import Session
from trimfit.verbs.log import EntryResult

__all__ = ["Desk", "NotYet"]

P = ParamSpec("P")
T = TypeVar("T")
PATIENCE_S = 20.0
"""A page waits so long for an answer before it says that it is still being worked out."""


class NotYet(Exception):
    """An answer takes longer than a page waits. `step`: what is being done, as far as it said so."""

    def __init__(self, step: str) -> None:
        self.step = step
        super().__init__(step)


class Desk:
    """One log, open for the page. `patience_s`: how long a page waits for an answer."""

    def __init__(self, log: Path, *, patience_s: float = PATIENCE_S) -> None:
        self.log, self.patience_s = log, patience_s
        self._threads = {name: ThreadPoolExecutor(1, f"trimfit-{name}") for name in ("entries", "answers", "reviews")}
        self._sessions: dict[str, Session] = {}
        self._opening = threading.Lock()
        self._under_way: dict[object, Future[Any]] = {}
        self._step = ""

    async def enter(self, verb: Callable[Concatenate[Session, P], T], *args: P.args, **options: P.kwargs) -> T:
        """What a verb that logs answers; what it logged is on the disk by then."""
        return await asyncio.wrap_future(self._submit("entries", verb, *args, **options))

    async def enter_once(
        self, token: str, verb: Callable[Concatenate[Session, P], EntryResult], *args: P.args, **options: P.kwargs
    ) -> EntryResult:
        """As `enter`, for the form of this token: sent again it logs nothing, and answers with the entry it became.

        A script that sends no token has each of its forms logged.
        """
        if not token:
            return await self.enter(verb, *args, **options)
        return await asyncio.wrap_future(self._submit("entries", _once, token, verb, *args, **options))

    async def answer(self, verb: Callable[Concatenate[Session, P], T], *args: P.args, **options: P.kwargs) -> T:
        """What a verb answers about reeds. Raises NotYet where that takes long; asked again, it is the same answer."""
        return await self._waited("answers", verb, *args, **options)

    async def review(self, verb: Callable[Concatenate[Session, P], T], *args: P.args, **options: P.kwargs) -> T:
        """What a verb answers that looks through the whole log; as `answer`, in a thread of its own."""
        return await self._waited("reviews", verb, *args, **options)

    async def _waited(self, thread: str, verb: Callable[..., T], *args: Any, **options: Any) -> T:
        key = (verb, args, tuple(options.items()))
        under_way = self._under_way.pop(key, None) or self._submit(thread, verb, *args, **options)
        try:
            found: T = await asyncio.wait_for(asyncio.shield(asyncio.wrap_future(under_way)), self.patience_s)
        except TimeoutError:
            self._under_way[key] = under_way
            raise NotYet(self._step) from None
        return found

    def _submit(self, thread: str, verb: Callable[..., T], *args: Any, **options: Any) -> Future[T]:
        def done() -> T:
            session = self._session(thread)
            try:
                return verb(session, *args, **options)
            except LogError:
                # Another file lies where the log was: the next one opens what is there then.
                self._sessions.pop(thread).journal.close()
                raise

        return self._threads[thread].submit(done)

    def _session(self, thread: str) -> Session:
        """The session of a thread, opened by it at its first use: SQLite wants a connection to stay in its thread."""
        if thread not in self._sessions:
            with self._opening:
                self._sessions[thread] = Session(self.log, progress=self._progress)
        return self._sessions[thread]

    def _progress(self, step: str, done: int, whole: int) -> None:
        self._step = f"{step}, {done:,} of {whole:,}" if whole > 1 else step

    def close(self) -> None:
        """Wait for what is under way, and close the log."""
        for name, thread in self._threads.items():
            if name in self._sessions:
                thread.submit(self._sessions[name].journal.close)
            thread.shutdown()


def _once(session: Session, token: str, verb: Callable[..., EntryResult], *args: Any, **options: Any) -> EntryResult:
    """What the form of a token became: logged now with the token beside it in one transaction, or long since."""
    with session.journal.writing():
        before = entry_of_form(session.journal, token)
        if before is not None:
            kind = kind_of_entry(before)
            about = session.journal.name_of(before)
            return EntryResult(before, kind.name if kind is not None else "entry", about, new=False)
        kept = verb(session, *args, **options)
        keep_form(session.journal, token, kept.entry)
        return kept
