"""The shop's settings: which there are, what each may be, and their values as last set."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Iterable, Mapping
from fractions import Fraction

from trimfit.base.column_words import order_of_names
from trimfit.base.errors import InputError, nearest, short
from trimfit.base.pitch import ratio_of, ratios
from trimfit.base.records import Settings
from trimfit.base.time_zones import zone_like, zone_named
from trimfit.base.units import BOUNDS, BY_UNIT, parse_number, plain_number
from trimfit.log.column_values import number_text


@dataclasses.dataclass(frozen=True, slots=True)
class Apart:
    """A setting that differs between this log and another (or this log before): both values as they are typed."""

    setting: str
    here: str
    there: str


NAMES = tuple(field.name for field in dataclasses.fields(Settings))
_TEXTS = frozenset({"ratio_low_g", "ratio_d", "ratio_high_g", "time_zone", "line_order"})
# What a number setting may be; those that cost minutes have wide limits of their own. What a batch may be off is the
# scale on which the review judges it: it is never nothing.
_BY_NAME: dict[str, tuple[float, float]] = {
    "tolerance_hz": (0.05, 20.0),
    "balance_tolerance_hz": (0.05, 20.0),
    "tool_step_mm": (0.001, 1.0),
    "least_blade_mm": (1.0, 60.0),
    "chance_past_ceiling": (1e-6, 0.5),
    "drift_chance": (0.0, 1.0),
    "cut_error_pct": (0.0, 50.0),
    "cut_error_mm": (0.0, 1.0),
    "drift_start_cents": (0.1, 600.0),
    "drift_response_pct": (0.1, 200.0),
    "drift_settle_cents_per_week": (0.1, 600.0),
    "bench_pressure_kpa": BOUNDS["pressure_kpa"],
    "bench_temperature_c": BOUNDS["temperature_c"],
}


def limits_of(name: str) -> tuple[float, float]:
    """The lowest and highest value a number setting may have."""
    return _BY_NAME.get(name, (0.0, 100_000.0))


@functools.cache
def _defaults() -> Settings:
    return Settings()


def checked(name: str, text: str) -> str:
    """A setting's value as the log keeps it, if the name is one and the value may be; InputError if not."""
    if name not in NAMES:
        raise InputError(f"{short(name)!r} is no setting", "settings", nearest(name, NAMES))
    word = text.strip()
    if name.startswith("ratio_"):
        return str(ratio_of(name.removeprefix("ratio_"), word))
    if name == "time_zone":
        zone_named(word)
        return word
    if name == "line_order":
        order = order_of_names(word)
        if order is None:
            what = f"{short(word)!r} is no order of notes and the crow, each once"
            raise InputError(what, name, "say it as f e a A crow")
        return " ".join(order)
    try:
        value = _number_of(name, word)
    except InputError as error:
        raise InputError(error.what, name, error.remedy) from error
    low, high = limits_of(name)
    if not low <= value <= high:
        raise InputError(f"{short(word)} is out of bounds", name, f"give {plain_number(low)} to {plain_number(high)}")
    return number_text(value)


def _number_of(name: str, word: str) -> float:
    """A number, bare or with a unit of what the setting is: `26 inH2O`, `1 in`, `70 F`."""
    try:
        return parse_number(word)
    except InputError as bare:
        parse = BY_UNIT.get(name.rpartition("_")[2]) if not name.endswith("_pct") else None
        if parse is None:
            raise
        try:
            return parse(word)
        except InputError as measured:
            raise (measured if measured.where else bare) from None


def fault_of(name: str, text: object) -> InputError | None:
    """What is wrong with a stored value; None if it can be typed, or is of a setting that a newer program has."""
    if name not in NAMES:
        return None
    if name == "time_zone":
        # A zone that is unknown here keeps times without an offset from being taken, and nothing else.
        return None if zone_like(str(text)) else InputError(f"{short(text)!r} is no time zone", "time_zone")
    try:
        checked(name, str(text))
    except InputError as error:
        return error
    return None


def settings_from(texts: Mapping[str, str] | Iterable[tuple[str, str]]) -> Settings:
    """The settings in force: the defaults, and whatever `texts` sets, the last value of a name that may be.

    Names of a newer program are passed over, and so are values that nobody could have typed: `check` names them.
    """
    changes: dict[str, str | float] = {}
    for name, text in texts.items() if isinstance(texts, Mapping) else texts:
        if name in NAMES and fault_of(name, text) is None:
            word = str(text) if name == "time_zone" else checked(name, str(text))
            changes[name] = word if name in _TEXTS else float(word)
    return dataclasses.replace(_defaults(), **changes) if changes else _defaults()  # type: ignore[arg-type]


def text_of(settings: Settings, name: str) -> str:
    """A setting's value as it is typed."""
    value = getattr(settings, name)
    return value if isinstance(value, str) else number_text(value)


def apart(ours: Settings, theirs: Settings) -> tuple[Apart, ...]:
    """The settings that differ, each with both values as they are typed."""
    pairs = [Apart(name, text_of(ours, name), text_of(theirs, name)) for name in NAMES]
    return tuple(one for one in pairs if one.here != one.there)


def scale_of(settings: Settings) -> dict[str, Fraction]:
    """The nine just ratios under the shop's choice."""
    return ratios(settings.ratio_low_g, settings.ratio_d, settings.ratio_high_g)
