"""Many hands at once, and a server that is killed: what was acknowledged is in the log, once.

Run by hand: `pytest -m crash tests/web`.
"""

from __future__ import annotations

import contextlib
import http.client
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from tests.opened import append_all
from tests.web.visitor import Visitor, serving
from trimfit.base.records import Reed
from trimfit.log.journal import Journal

pytestmark = pytest.mark.crash
AS_JSON = {"Accept": "application/json"}
CLIENTS, ENTRIES, KILLS = 4, 500, 100


def _shop(log: Path) -> None:
    with Journal(log, create=True) as journal:
        append_all(journal, [Reed(f"R-{k}", "cane", "B-1") for k in range(1, CLIENTS + 1)])


def test_two_thousand_entries_of_four_clients_are_there_none_lost_none_double(tmp_path: Path) -> None:
    log = tmp_path / "log.trimfit"
    _shop(log)
    entries: list[str] = []

    def client(port: int, number: int) -> None:
        visitor, chance = Visitor(port), random.Random(number)
        for k in range(ENTRIES):
            form = {"reed": f"R-{number}", "event": f"soaked {k}", "token": f"client-{number}-{k:04d}"}
            for _ in range(2 if chance.random() < 0.1 else 1):  # some are sent twice
                answer = visitor.enter("/reed/event", form, AS_JSON)
                assert answer.status == 200, answer.text
            entries.append(answer.json["entry"])

    with serving(log) as visitor:
        threads = [threading.Thread(target=client, args=(visitor.port, n)) for n in range(1, CLIENTS + 1)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert len(set(entries)) == CLIENTS * ENTRIES
    with Journal(log) as journal:
        assert journal.count("event") == CLIENTS * ENTRIES
        for number in range(1, CLIENTS + 1):
            words = [one.record.event for one in journal.of_reed(f"R-{number}").events]
            assert words == [f"soaked {k}" for k in range(ENTRIES)]


def test_a_server_killed_at_random_moments_loses_nothing_that_it_acknowledged(tmp_path: Path) -> None:
    """After each kill the form under way is sent again under its token, as the page does; it must be one entry."""
    log = tmp_path / "log.trimfit"
    _shop(log)
    chance, sent, acknowledged = random.Random(23), 0, []
    again: dict[str, str] | None = None
    command = [sys.executable, "-m", "trimfit", "--log", str(log), "serve", "--port", "0"]
    for _ in range(KILLS):
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        visitor = Visitor(int(process.stdout.readline().rstrip("/\n").rpartition(":")[2]))
        killer = threading.Timer(chance.uniform(0.02, 0.6), process.send_signal, [signal.SIGKILL])
        killer.start()
        with contextlib.suppress(OSError, http.client.HTTPException):
            while True:
                if again is None:
                    sent += 1
                    again = {"reed": "R-1", "event": f"soaked {sent}", "token": f"form-{sent:06d}"}
                answer = visitor.enter("/reed/event", again, AS_JSON)
                assert answer.status == 200, answer.text
                acknowledged.append(answer.json["entry"])
                again = None
        killer.join()
        process.wait()
        process.stdout.close()
    assert len(acknowledged) > KILLS
    with Journal(log) as journal:
        events = journal.of_reed("R-1").events
    words = [one.record.event for one in events]
    assert len(set(words)) == len(words)
    assert set(acknowledged) <= {one.entry for one in events}
    assert len(words) - len(acknowledged) in (0, 1)


def test_an_entry_does_not_wait_for_an_answer_that_takes_long(tmp_path: Path) -> None:
    log = tmp_path / "log.trimfit"
    _shop(log)
    with serving(log, patience_s=0.2) as visitor:
        began = threading.Event()

        def slow(*_: object) -> None:
            began.set()
            time.sleep(3.0)

        assert visitor.desk is not None
        visitor.desk._submit("answers", slow)
        began.wait()
        start = time.monotonic()
        assert visitor.see("/tickets", order="O-1").status == 503
        assert visitor.see("/").status == 200
        assert visitor.enter("/reed/event", {"reed": "R-1", "event": "soaked"}, AS_JSON).json["new"]
        assert time.monotonic() - start < 2.5
