"""The server as a process: its first line, its end, and what is said when it cannot begin."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlsplit
from urllib.request import urlopen

import pytest

from trimfit.base.errors import InputError
from trimfit.web import server


def _serve(log: Path, *words: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "trimfit", "--log", str(log), "serve", *words]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def _connected(host: str, address: str) -> None:
    """Connect to a host at the port of an address."""
    socket.create_connection((host, urlsplit(address).port or 0), timeout=5).close()


def test_the_first_line_is_the_address_and_a_request_to_stop_ends_it(log: Path) -> None:
    process = _serve(log, "--port", "0")
    try:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        assert address.startswith("http://127.0.0.1:")
        with urlopen(address) as answer:
            assert b"The run" in answer.read()
        with pytest.raises(ConnectionRefusedError):  # no other address of this machine leads to it
            _connected("127.0.0.2", address)
    finally:
        process.send_signal(signal.SIGTERM)
        _, errors = process.communicate(timeout=30)
    assert "Traceback" not in errors


def test_a_shared_page_prints_an_address_with_a_key_and_says_what_it_is_for(log: Path) -> None:
    process = _serve(log, "--port", "0", "--share")
    try:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        assert "/enter?key=" in address
        _connected("127.0.0.2", address)
        said = "".join(process.stdout.readline() for _ in range(3))
        assert "not for the internet" in said.replace("\n", " ")
        assert "workshop's own network" in said
        assert 'press "Come in" is let in' in said.replace("\n", " ")
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=30)


def test_nothing_is_worked_out_where_the_port_is_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Was: the process ended only once the list that nobody would see was worked out."""
    begun: list[Path] = []
    monkeypatch.setattr(server, "Desk", begun.append)
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(InputError, match="is taken"):
        server.serve(tmp_path / "log", taken.getsockname()[1], share=False, announce=print)
    assert not begun


def test_a_port_that_is_taken_is_said_in_one_line(log: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        process = _serve(log, "--port", str(taken.getsockname()[1]))
        output, errors = process.communicate(timeout=30)
    assert process.returncode == 2
    assert output == ""
    assert errors.count("\n") == 1
    assert "is taken" in errors
