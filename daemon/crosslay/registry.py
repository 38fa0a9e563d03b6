"""Entry points to adapters, lazily: only the adapter that a station file names is ever imported."""

from __future__ import annotations

from importlib.metadata import EntryPoint, entry_points
from typing import Any

from crosslay.errors import AdapterMissingError

GAUGES = "crosslay.gauges"
INDICATORS = "crosslay.indicators"
TRACE_FILES = "crosslay.tracefiles"


def names(group: str) -> list[str]:
    """Adapters registered in a group, sorted."""
    return sorted({point.name for point in entry_points(group=group)})


def load(group: str, name: str) -> Any:
    """Import one adapter's class.

    Raises
    ------
    AdapterMissingError
        No such entry point, or a package that it needs is not installed.
    """
    point = _find(group, name)
    try:
        return point.load()
    except ImportError as error:
        raise AdapterMissingError(f'adapter "{name}" needs a package that is not installed: {error}') from error


def _find(group: str, name: str) -> EntryPoint:
    for point in entry_points(group=group):
        if point.name == name:
            return point
    raise AdapterMissingError(f'no adapter "{name}" in {group}; installed: {", ".join(names(group)) or "none"}')
