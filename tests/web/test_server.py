"""The server as a process: its first line, its end, and what is said when it cannot begin."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
from pathlib import Path
from urllib.request import urlopen


def _serve(log: Path, *words: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "trimfit", "--log", str(log), "serve", *words]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def test_the_first_line_is_the_address_and_a_request_to_stop_ends_it(log: Path) -> None:
    process = _serve(log, "--port", "0")
    try:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        assert address.startswith("http://127.0.0.1:")
        with urlopen(address) as answer:
            assert b"The run" in answer.read()
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
        said = process.stdout.readline() + process.stdout.readline()
        assert "workshop's own network" in said
        assert "not for the internet" in said
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=30)


def test_a_port_that_is_taken_is_said_in_one_line(log: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        process = _serve(log, "--port", str(taken.getsockname()[1]))
        output, errors = process.communicate(timeout=30)
    assert process.returncode == 2
    assert output == ""
    assert errors.count("\n") == 1
    assert "is taken" in errors
