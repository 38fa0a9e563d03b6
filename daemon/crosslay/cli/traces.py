"""Trace files named on a command line: from path to trace through the format that the extension names."""

from __future__ import annotations

from pathlib import Path

from crosslay import registry
from crosslay.cli.output import shown_path
from crosslay.errors import TraceFileError
from crosslay.ports import TraceFormat
from crosslay.texture.trace import Trace

#: More than any format reads; a longer file is not brought into memory only to be refused.
MAX_BYTES = 256 * 1024 * 1024


def read_trace(path: Path, *, spacing_um: float | None) -> Trace:
    """Read one trace file.

    Parameters
    ----------
    path
        File with one of the known extensions.
    spacing_um
        Sampling spacing, µm, for a file that does not give it.

    Raises
    ------
    TraceFileError
        The file cannot be read, is of no known format, or is no trace; the text begins with the file.
    """
    name = shown_path(path)
    if path.is_dir():
        raise TraceFileError(f"{name}: is a folder; name the trace files in it")
    reader = format_for(path)
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except FileNotFoundError as error:
        raise TraceFileError(f"{name}: there is no such file") from error
    except OSError as error:
        raise TraceFileError(f"{name}: cannot be read: {error.strerror}") from error
    if len(data) > MAX_BYTES:
        raise TraceFileError(f"{name}: is larger than {MAX_BYTES // 2**20} MiB, so it is no trace of one traverse")
    return reader.read(data, name, spacing_um=spacing_um)


def format_for(path: Path) -> TraceFormat:
    """Format by the file's extension, in either case.

    Raises
    ------
    TraceFileError
        No installed format has this extension; says which do.
    """
    extension = path.suffix.lower()
    known: list[str] = []
    for name in sorted(registry.names(registry.TRACE_FILES), key=lambda each: f".{each}" != extension):
        candidate = registry.load(registry.TRACE_FILES, name)
        if extension in candidate.extensions:
            found: TraceFormat = candidate()
            return found
        known += candidate.extensions
    raise TraceFileError(f'{shown_path(path)}: the extension "{path.suffix}" names no known format of trace files; '
                         f"known: {', '.join(sorted(known))}")
