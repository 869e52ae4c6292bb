"""trimfit: remembers every reed and every cut, learns how each reed type answers, says how much more to take off.

The Python face; each name is loaded when it is first used, so that `import trimfit` stays light::

    import trimfit

    log = trimfit.open_log("bench.trimfit")
    log.ask("R-0412").why
    model = trimfit.ReedResponse().fit(log.frame())
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from trimfit.answers import Advice
    from trimfit.desk.notebook import OpenLog, open_log
    from trimfit.errors import InputError, LogError, TrimfitError
    from trimfit.learn.response import ReedResponse
    from trimfit.units import Interval

__version__ = "0.1.0"
__all__ = ["Advice", "InputError", "Interval", "LogError", "OpenLog", "ReedResponse", "TrimfitError", "open_log"]

_HOME = {
    "Advice": "trimfit.answers",
    "InputError": "trimfit.errors",
    "Interval": "trimfit.units",
    "LogError": "trimfit.errors",
    "OpenLog": "trimfit.desk.notebook",
    "ReedResponse": "trimfit.learn.response",
    "TrimfitError": "trimfit.errors",
    "open_log": "trimfit.desk.notebook",
}


def __getattr__(name: str) -> Any:
    """Load a public name from the room it lives in."""
    if name not in _HOME:
        raise AttributeError(f"module 'trimfit' has no attribute {name!r}")
    from importlib import import_module

    found = getattr(import_module(_HOME[name]), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOME})
