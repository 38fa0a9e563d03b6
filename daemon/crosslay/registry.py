"""Entry points to adapters, lazily: only the adapter that a station file names is ever imported."""

from __future__ import annotations

import difflib
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from crosslay.errors import AdapterMissingError

GAUGES = "crosslay.gauges"
INDICATORS = "crosslay.indicators"
TRACE_FILES = "crosslay.tracefiles"

_KINDS = {GAUGES: "gauge adapter", INDICATORS: "indicator adapter", TRACE_FILES: "trace file format"}


def names(group: str) -> list[str]:
    """Adapters registered in a group, sorted."""
    return sorted({point.name for point in entry_points(group=group)})


def load(group: str, name: str) -> Any:
    """Import one adapter's class.

    Raises
    ------
    AdapterMissingError
        No such entry point, a package that it needs is not installed, or the entry point leads nowhere.
    """
    point = _find(group, name)
    kind = _KINDS.get(group, group)
    try:
        return point.load()
    except ImportError as error:
        raise AdapterMissingError(f'{kind} "{name}" needs a package that is not installed: {error}') from error
    except AttributeError as error:
        raise AdapterMissingError(f'{kind} "{name}" is registered as {point.value}, which does not exist') from error


def _find(group: str, name: str) -> EntryPoint:
    for point in entry_points(group=group):
        if point.name == name:
            return point
    installed = names(group)
    near = difflib.get_close_matches(name, installed, n=1)
    hint = f'; did you mean "{near[0]}"' if near else ""
    listed = ", ".join(f'"{each}"' for each in installed) or "none"
    raise AdapterMissingError(f'no {_KINDS.get(group, group)} "{name}" is installed{hint}; installed: {listed}')
