"""Who may come in when the page is shared: keys that work once, and what a device that came in shows afterwards.

A key is shown on the machine that serves the page, and is used up by the first device that shows it. Kept in memory
only, as digests: with the server's end everybody has to come in anew.
"""

from __future__ import annotations

import hashlib
import secrets
import time
from collections.abc import Callable

KEY_BYTES, PASS_BYTES = 12, 32
KEY_S = 15 * 60.0
"""So long a key waits for its device. The first one, printed at the start, waits until it is used."""


class Keys:
    """One-time keys, and the passes of the devices that used one."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._until_s: dict[bytes, float] = {}
        self._passes: set[bytes] = set()

    def new(self, *, lasting: bool = False) -> str:
        """A fresh key that lets one device in; `lasting`: it waits until it is used."""
        now = self._clock()
        self._until_s = {key: until for key, until in self._until_s.items() if until > now}
        key = secrets.token_urlsafe(KEY_BYTES)
        self._until_s[_digest(key)] = float("inf") if lasting else now + KEY_S
        return key

    def use(self, key: str) -> str | None:
        """A pass for the device that shows this key, which is used up by it; None for what is no key, or no more."""
        until_s = self._until_s.pop(_digest(key), None)
        if until_s is None or until_s <= self._clock():
            return None
        device = secrets.token_urlsafe(PASS_BYTES)
        self._passes.add(_digest(device))
        return device

    def knows(self, device: str) -> bool:
        """Whether this is the pass of a device that came in."""
        return _digest(device) in self._passes


def _digest(secret: str) -> bytes:
    """What is kept of a secret: looking a digest up takes a time that tells nothing of the secret."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).digest()
