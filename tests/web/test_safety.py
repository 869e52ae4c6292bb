"""Attacks on the page: foreign names, foreign pages, no key, too much. Each must leave the log as it was."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from tests.web.visitor import Visitor, serving
from trimfit.log.journal import Journal
from trimfit.web.replies import MOST_FIELDS

LOST = {"reed": "R-0353", "outcome": "lost"}


def _outcomes(log: Path) -> int:
    with Journal(log) as journal:
        return journal.count("outcome")


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "127.0.0.1.evil.example", "127.0.0.1:1", ""])
def test_a_name_that_was_pointed_at_this_machine_is_refused(look: Visitor, host: str) -> None:
    answer = look.send("GET", "/", headers={"Host": host})
    assert answer.status in (400, 421)
    assert b"R-0353" not in answer.body


def test_localhost_is_this_machine_too(look: Visitor) -> None:
    assert look.send("GET", "/", headers={"Host": f"localhost:{look.port}", "Accept": "text/html"}).status == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": None},
        {"Origin": "https://127.0.0.1:{port}"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_form_of_another_sites_page_logs_nothing(visitor: Visitor, log: Path, headers: dict[str, str | None]) -> None:
    before = _outcomes(log)
    headers = {name: value and value.format(port=visitor.port) for name, value in headers.items()}
    refused = visitor.enter("/reed/outcome", LOST, headers)
    assert (refused.status, refused.text.partition(";")[0]) == (403, "no page of this address sent this")
    assert _outcomes(log) == before
    assert visitor.enter("/reed/outcome", LOST).status == 303
    assert _outcomes(log) == before + 1


def test_nothing_is_read_for_another_sites_page_but_a_link_to_here_is_followed(look: Visitor) -> None:
    foreign = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors", "Sec-Fetch-Dest": "script"}
    assert look.send("GET", "/", headers=foreign).status == 403
    frame = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "iframe"}
    assert look.send("GET", "/", headers=frame).status == 403
    link = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}
    assert look.send("GET", "/", headers=link).status == 200


def test_only_a_form_logs(visitor: Visitor, log: Path) -> None:
    before = _outcomes(log)
    read = visitor.see("/reed/outcome", reed="R-0353", outcome="lost")
    assert read.status == 405
    assert "a form is sent with POST" in read.text
    for method in ("PUT", "DELETE", "OPTIONS", "TRACE"):
        assert visitor.send(method, "/reed/outcome", b"").status in (403, 405)
    as_json = {"Content-Type": "application/json"}
    assert visitor.enter("/reed/outcome", LOST, as_json).status == 415
    assert _outcomes(log) == before


@pytest.mark.parametrize("path", ["/orders", "/reed?name=zz", "/no-such-page", "/put"])
def test_head_answers_as_get_does(look: Visitor, path: str) -> None:
    script = {"Accept": "application/json"}
    asked, head = (look.send(method, path, headers=script) for method in ("GET", "HEAD"))
    assert (head.status, head.body) == (asked.status, b"")


@pytest.mark.parametrize("path", ["/", "/reed?name=R-0353", "/static/bench.css", "/no-such-page", "/reed?name=nobody"])
def test_every_answer_forbids_frames_foreign_scripts_and_guessing(look: Visitor, path: str) -> None:
    headers = look.see(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self';" in policy
    assert "frame-ancestors 'none'" in policy
    assert "form-action 'self'" in policy
    assert "unsafe" not in policy
    assert headers["x-frame-options"] == "DENY"
    assert headers["x-content-type-options"] == "nosniff"
    assert "server" not in headers


def test_an_oversized_form_is_refused_with_its_length_said_and_without(visitor: Visitor) -> None:
    assert visitor.enter("/reed/event", {"reed": "R-0353", "event": "x" * 70_000}).status == 413
    lying = {"Content-Length": "9" * 30}
    assert visitor.enter("/reed/event", {"reed": "R-0353", "event": "soaked"}, lying).status in (400, 413)
    chunk = b"10000\r\n" + b"x" * 65536 + b"\r\n"
    head = (
        f"POST /reed/event HTTP/1.1\r\nHost: {visitor.host}\r\nOrigin: http://{visitor.host}\r\n"
        "Content-Type: application/x-www-form-urlencoded\r\nTransfer-Encoding: chunked\r\n\r\n"
    )
    with socket.create_connection(("127.0.0.1", visitor.port), timeout=20) as raw:
        raw.sendall(head.encode() + chunk + chunk)
        assert raw.recv(100).startswith(b"HTTP/1.1 413")
    fields = {f"f{k}": "1" for k in range(MOST_FIELDS + 1)}
    assert visitor.enter("/reed/event", fields).status == 400
    assert visitor.see("/", **{"x": "y" * 6000}).status == 414
    assert visitor.ask("/", **{"x": "y" * 6000}) == {"error": ["the address is too long; go back to the first page"]}
    assert visitor.send("GET", "/", headers={"Cookie": "a=" + "b" * 20_000}).status == 431


def test_nobody_comes_in_without_a_key(log: Path) -> None:
    with serving(log, share=True) as stranger:
        assert stranger.keys is not None
        before = _outcomes(log)
        for path in ("/", "/reed?name=R-0353", "/devices", "/static/bench.js", "/no-such-page"):
            assert stranger.see(path).status == 403
            assert b"R-0353" not in stranger.see(path).body
        assert stranger.enter("/reed/outcome", LOST).status == 403
        assert stranger.enter("/enter", {"key": "guessed"}).status == 403
        assert stranger.enter("/enter", {"key": ""}).status == 403
        stranger.passed = "trimfit_pass=guessed"
        assert stranger.see("/").status == 403
        assert _outcomes(log) == before


def test_a_key_lets_one_device_in_and_only_one(log: Path) -> None:
    with serving(log, share=True) as first:
        assert first.keys is not None
        key = first.keys.new(lasting=True)
        # a camera that looks ahead at the address uses nothing up
        assert first.see("/enter", key=key).status == 200
        assert "POST /enter" in first.ask("/enter", key=key)["to_come_in"]
        entered = first.enter("/enter", {"key": key})
        assert entered.status == 303
        cookie = entered.headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=Strict" in cookie
        second = Visitor(first.port)
        assert second.enter("/enter", {"key": key}).status == 403
        assert second.see("/").status == 403
        first.passed = cookie.partition(";")[0]
        assert first.see("/").status == 200
        # and a device that is in lets another in, by a form that has no fields
        assert first.enter("/devices", {"minutes": "60"}).status == 422
        page = first.enter("/devices", {})
        address = page.text.partition('class="address">')[2].partition("<")[0]
        assert "<svg" in page.text
        fresh = address.partition("key=")[2]
        assert second.enter("/enter", {"key": fresh}).status == 303


def test_the_door_is_shut_to_another_sites_page_too(log: Path) -> None:
    with serving(log, share=True) as stranger:
        assert stranger.keys is not None
        key = stranger.keys.new()
        assert stranger.enter("/enter", {"key": key}, {"Origin": "http://evil.example"}).status == 403
        assert stranger.enter("/enter", {"key": key}).status == 303
