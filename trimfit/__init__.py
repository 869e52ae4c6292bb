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
    from trimfit.base.answers import Advice
    from trimfit.base.errors import InputError, LogError, TrimfitError
    from trimfit.base.units import Interval
    from trimfit.log.entry_counts import Counts
    from trimfit.python_api import OpenLog, open_log
    from trimfit.regression.estimator import ReedResponse
    from trimfit.regression.fitted_model import FittedModel
    from trimfit.verbs.allot import Allotment
    from trimfit.verbs.rehearse import Rehearsal

__version__ = "0.2.0"
__all__ = [
    "Advice",
    "Allotment",
    "Counts",
    "FittedModel",
    "InputError",
    "Interval",
    "LogError",
    "OpenLog",
    "ReedResponse",
    "Rehearsal",
    "TrimfitError",
    "open_log",
]

_HOME = {
    "Advice": "trimfit.base.answers",
    "Allotment": "trimfit.verbs.allot",
    "Counts": "trimfit.log.entry_counts",
    "FittedModel": "trimfit.regression.fitted_model",
    "InputError": "trimfit.base.errors",
    "Interval": "trimfit.base.units",
    "LogError": "trimfit.base.errors",
    "OpenLog": "trimfit.python_api",
    "ReedResponse": "trimfit.regression.estimator",
    "Rehearsal": "trimfit.verbs.rehearse",
    "TrimfitError": "trimfit.base.errors",
    "open_log": "trimfit.python_api",
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
