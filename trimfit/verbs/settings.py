"""`settings`: what all benches of the shop agree on."""

from __future__ import annotations

from pathlib import Path

from trimfit.log import settings as log_settings
from trimfit.log.journal import Journal


def settings(log: Path) -> dict[str, str]:
    """Every shop setting with its value as it is typed. LogError where there is no log."""
    with Journal(log) as journal:
        in_force = journal.settings()
    return {name: log_settings.text_of(in_force, name) for name in log_settings.NAMES}


def set_setting(log: Path, name: str, value: str) -> tuple[str, tuple[str, ...]]:
    """Set a shop setting, for all benches that share the log; its value as kept, and the reeds whose entries stand in
    another order since, where it is the zone. InputError says what the value may be."""
    log_settings.checked(name, value)
    with Journal(log, create=True) as journal:
        journal.set_setting(name, value)
        return log_settings.text_of(journal.settings(), name), journal.reordered
