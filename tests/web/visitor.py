"""A page served in this process, and a visitor that sends requests to it as a browser does, or as an attacker does."""

from __future__ import annotations

import http.client
import json
import re
import socket
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from html import unescape
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from trimfit.web.app import bench_page
from trimfit.web.desk import Desk
from trimfit.web.device_keys import Keys
from trimfit.web.server import page_server


@dataclass(frozen=True)
class Answer:
    """One response, whole."""

    status: int
    headers: http.client.HTTPMessage
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode("utf-8")

    @property
    def json(self) -> Any:
        assert self.headers["content-type"] == "application/json"
        return json.loads(self.body)

    def fields(self, action: str, nth: int = 0) -> dict[str, str]:
        """The fields of the page's nth form that is sent to `action`, as the page has filled them in."""
        forms = re.findall(rf'<form[^>]*action="{re.escape(action)}"[^>]*>(.*?)</form>', self.text, re.DOTALL)
        inputs = re.findall(r"<(?:input|textarea)\b[^>]*>", forms[nth])
        pairs = {}
        for tag in inputs:
            name, value = re.search(r'\bname="([^"]*)"', tag), re.search(r'\bvalue="([^"]*)"', tag)
            if name and " disabled" not in tag:
                pairs[name[1]] = unescape(value[1]) if value else ""
        return pairs


@dataclass
class Visitor:
    """One browser. `passed`: the cookie it was given."""

    port: int
    passed: str = ""
    keys: Keys | None = None
    desk: Desk | None = None
    headers: dict[str, str] = field(default_factory=dict)

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.port}"

    def send(
        self, method: str, path: str, body: bytes | None = None, headers: Mapping[str, str] | None = None
    ) -> Answer:
        """Send one request as it is given; a header given as None is left out."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        every = {"Host": self.host, **({"Cookie": self.passed} if self.passed else {}), **self.headers}
        every |= dict(headers or {})
        try:
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in every.items():
                if value is not None:
                    connection.putheader(name, value)
            if body is not None and "Content-Length" not in every and "Transfer-Encoding" not in every:
                connection.putheader("Content-Length", str(len(body)))
            connection.endheaders(body)
            response = connection.getresponse()
            return Answer(response.status, response.headers, response.read())
        finally:
            connection.close()

    def see(self, path: str, *, accept: str = "text/html", **query: str) -> Answer:
        """Open a page."""
        return self.send("GET", f"{path}?{urlencode(query)}" if query else path, headers={"Accept": accept})

    def ask(self, path: str, **query: str) -> Any:
        """Open a page as a script does: its JSON."""
        return self.see(path, accept="application/json", **query).json

    def enter(self, path: str, fields: Mapping[str, str], headers: Mapping[str, str | None] | None = None) -> Answer:
        """Send a form as a page of the bench does."""
        usual = {
            "Origin": f"http://{self.host}",
            "Sec-Fetch-Site": "same-origin",
            "Content-Type": "application/x-www-form-urlencoded",
            "Accept": "text/html",
        }
        return self.send("POST", path, urlencode(fields).encode(), {**usual, **dict(headers or {})})

    def follow(self, path: str, fields: Mapping[str, str]) -> Answer:
        """Send a form and open the page that it leads to."""
        sent = self.enter(path, fields)
        assert sent.status == 303, sent.text
        return self.send("GET", sent.headers["location"], headers={"Accept": "text/html"})


@contextmanager
def serving(log: Path, *, share: bool = False, patience_s: float = 60.0) -> Iterator[Visitor]:
    """The page of a log on a free port, and a visitor to it."""
    keys = Keys() if share else None
    desk = Desk(log, patience_s=patience_s, short_patience_s=patience_s)
    with socket.create_server(("127.0.0.1", 0), backlog=64) as listening:
        server = page_server(bench_page(desk, keys))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield Visitor(listening.getsockname()[1], keys=keys, desk=desk)
        finally:
            server.should_exit = True
            thread.join()
            desk.close()
