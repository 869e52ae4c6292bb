"""A headless Chromium that taps and types, driven over its own debugging pipe (Chrome DevTools Protocol)."""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

FLAGS = (
    "--headless=new --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync --disable-dev-shm-usage --remote-debugging-pipe"
)

THERE = "document.readyState === 'complete' && document.styleSheets.length > 0"
"""A page is there, and not the blank one that stands in its place for a moment."""


class Page:
    """One page of the browser. `taps` counts taps and keys."""

    def __init__(self, read_fd: int, write_fd: int) -> None:
        self._read, self._write = os.fdopen(read_fd, "rb", buffering=0), os.fdopen(write_fd, "wb", buffering=0)
        self._number, self._buffer, self._session = 0, b"", ""
        self.taps = 0
        self.faults: list[str] = []
        target = self._call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self._call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self._call(f"{domain}.enable")

    def close(self) -> None:
        """Let go of the browser's pipe."""
        self._read.close()
        self._write.close()

    def _call(self, method: str, **params: Any) -> Any:
        self._number += 1
        message = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        self._write.write(json.dumps(message).encode() + b"\0")
        while True:
            while b"\0" not in self._buffer:
                self._buffer += self._read.read(65536)
            raw, _, self._buffer = self._buffer.partition(b"\0")
            found = json.loads(raw)
            if found.get("id") == self._number:
                assert "error" not in found, found
                return found["result"]
            self._note(found)

    def _note(self, event: dict[str, Any]) -> None:
        """Remember what a page says went wrong: exceptions, and errors such as a resource that its policy forbids."""
        params = event.get("params", {})
        if event.get("method") == "Runtime.exceptionThrown":
            self.faults.append(json.dumps(params["exceptionDetails"])[:300])
        if event.get("method") == "Log.entryAdded" and params["entry"]["level"] == "error":
            self.faults.append(f"{params['entry']['text']} {params['entry'].get('url', '')}")

    def run(self, script: str) -> Any:
        """The value of a script in the page."""
        found = self._call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in found, found
        return found["result"].get("value")

    def shape(self, width: int, height: int, *, dark: bool = False, touch: bool = True) -> None:
        """Make the screen so wide and high."""
        self._call(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 700
        )
        self._call("Emulation.setTouchEmulationEnabled", enabled=touch)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self._call("Emulation.setEmulatedMedia", features=[scheme])

    def open(self, address: str) -> None:
        """Open an address and wait until it is there."""
        self.run("window.old = true")
        self._call("Page.navigate", url=address)
        self.until(f"!window.old && {THERE}")

    def until(self, condition: str, longest_s: float = 60.0) -> None:
        """Wait until a condition of the page holds."""
        end = time.monotonic() + longest_s
        while time.monotonic() < end:
            try:
                if self.run(f"!!({condition})"):
                    return
            except AssertionError:
                pass  # the page is changing just now
            time.sleep(0.02)
        raise AssertionError(f"never came: {condition}\n{self.run('document.body.innerText.slice(0, 1500)')}")

    def tap(self, element: str) -> None:
        """Tap the middle of what a script finds; a target smaller than a thumb is a fault."""
        script = (
            f"(() => {{ const e = {element}; if (!e) return null; e.scrollIntoView({{block: 'nearest', "
            "behavior: 'instant'}); const b = e.getBoundingClientRect(); "
            "return [b.left + b.width / 2, b.top + b.height / 2, b.width, b.height]; })()"
        )
        found = self.run(script)
        assert found, f"not there: {element}"
        x, y, width, height = found
        assert width >= 48, f"{element} is {width} px wide"
        assert height >= 48, f"{element} is {height} px high"
        for kind in ("mousePressed", "mouseReleased"):
            self._call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)
        self.taps += 1

    def tap_words(self, selector: str, words: str) -> None:
        """Tap the first element of a selector that is seen and begins with these words."""
        test = f"e.offsetParent && e.textContent.trim().startsWith({json.dumps(words)})"
        self.tap(f"[...document.querySelectorAll({json.dumps(selector)})].find((e) => {test})")

    def offline(self, away: bool) -> None:
        """Take the net away, or give it back."""
        self._call(
            "Network.emulateNetworkConditions", offline=away, latency=0, downloadThroughput=-1, uploadThroughput=-1
        )

    def picture(self, path: Path) -> None:
        """Keep a picture of the whole page."""
        found = self._call("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(found["data"]))


@contextmanager
def chromium(folder: Path) -> Iterator[Page]:
    """A browser with a profile of its own in `folder`."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    assert program, "this test needs Chromium on the machine"
    to_read, to_write = os.pipe(), os.pipe()
    # The browser reads commands on descriptor 3 and writes answers on 4.
    command = f"exec 3<&{to_read[0]} 4>&{to_write[1]}; exec {program} {FLAGS} --user-data-dir={folder / 'profile'}"
    process = subprocess.Popen(
        ["/bin/bash", "-c", command], pass_fds=(to_read[0], to_write[1]), stderr=subprocess.DEVNULL
    )
    os.close(to_read[0])
    os.close(to_write[1])
    page = Page(to_write[0], to_read[1])
    try:
        yield page
    finally:
        page.close()
        process.terminate()
        process.wait(timeout=30)
