"""Trace file formats by file extension, through the entry points that the whole product uses."""

from __future__ import annotations

from importlib.metadata import entry_points
from typing import Final

from crosslay.errors import GaugeError
from crosslay.ports import TraceFormat

_GROUP: Final = "crosslay.tracefiles"


def installed_formats() -> dict[str, TraceFormat]:
    """Formats of every installed package, keyed by extension with its dot, lower case.

    Raises
    ------
    GaugeError
        A registered format cannot be imported.
    """
    formats: dict[str, TraceFormat] = {}
    for point in entry_points(group=_GROUP):
        try:
            file_format: TraceFormat = point.load()()
        except (ImportError, AttributeError) as error:
            raise GaugeError(f'the trace file format "{point.name}" is installed, but cannot be loaded: '
                             f"{error}") from error
        formats.update(dict.fromkeys(file_format.extensions, file_format))
    return formats
