"""Text lines: a codec without I/O, described by the station file."""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator, model_validator

from crosslay.ports import AdapterConfig
from crosslay_adapters.gauges.framing.checksums import NAMES, checksum
from crosslay_adapters.gauges.framing.events import MAX_POINTS, Event, Nonsense, OpenTrace, RawTrace, Refused, Started
from crosslay_adapters.tracefiles.common import bad_position, most_decimals, quote, resolution_mm

#: A longer line is nonsense; no more than this of an unfinished line is kept.
MAX_LINE_BYTES: Final = 4096
_INT32: Final = 2**31 - 1
_NUMBER_SIGNS: Final = b"+-0123456789.,eE \t"
Mark = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[!-~]([ -~]*[!-~])?$")]


class LineFormat(AdapterConfig):
    """Options of ``[gauge.lines]``.

    Attributes
    ----------
    columns
        What each row holds, from left to right.
    separator
        Between columns; ``" "`` is any blank space.
    decimal
        Decimal sign.
    row_prefix
        What rows begin with; without it, a row begins with a digit, a sign or the decimal sign.
    start, end
        Lines that begin and end a trace. Without a start the first row begins it, without an end silence ends it.
    facts
        Header lines ``name: value`` inside a trace: the gauge's name, and the fact that it becomes.
    fact_separator
        Between name and value.
    checksum, checksum_separator
        Each line ends in this separator and the checksum of what stands before it, as hexadecimal digits.
    start_command, stop_command
        Text that is sent when the gauge is opened and closed.
    """

    columns: list[Literal["z", "x_mm", "counter", "ignored"]] = Field(default=["z"], min_length=1, max_length=16)
    separator: Annotated[str, Field(pattern=r"^[ -~\t]$")] = ","
    decimal: Literal[".", ","] = "."
    row_prefix: Annotated[str, Field(max_length=16, pattern=r"^[!-~]*$")] = ""
    start: Mark | None = None
    end: Mark | None = None
    facts: dict[str, Mark] = Field(default={}, max_length=32)
    fact_separator: Annotated[str, Field(pattern=r"^[!-~]$")] = ":"
    checksum: str | None = None
    checksum_separator: Annotated[str, Field(pattern=r"^[!-~]$")] = "*"
    start_command: Annotated[str, Field(max_length=256, pattern=r"^[\x01-\x7f]*$")] = ""
    stop_command: Annotated[str, Field(max_length=256, pattern=r"^[\x01-\x7f]*$")] = ""

    @field_validator("checksum")
    @classmethod
    def _known(cls, value: str | None) -> str | None:
        if value is not None and value not in NAMES:
            raise ValueError(f'"{value}" is no checksum; possible are {", ".join(NAMES)}')
        return value

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.columns.count("z") != 1 or max(self.columns.count("x_mm"), self.columns.count("counter")) > 1:
            raise ValueError('columns hold "z" once, and "x_mm" and "counter" once at most')
        if self.separator == self.decimal and len(self.columns) > 1:
            raise ValueError("separator and decimal are the same sign; rows could not be taken apart")
        if self.separator in "0123456789+-.eE":
            raise ValueError("the separator is a sign of which numbers are made")
        if self.start is not None and self.start == self.end:
            raise ValueError("start and end are the same line; nobody could tell them apart")
        return self

    @property
    def start_bytes(self) -> bytes:
        """What is sent when the gauge is opened."""
        return self.start_command.encode("ascii")

    @property
    def stop_bytes(self) -> bytes:
        """What is sent when the gauge is closed."""
        return self.stop_command.encode("ascii")


class LineCodec:
    """See `LineFormat` and `crosslay_adapters.gauges.framing.events.Codec`.

    Carriage return and line feed both end a line; empty lines count for nothing. At most `MAX_LINE_BYTES` bytes of an
    unfinished line are kept.
    """

    def __init__(self, options: LineFormat) -> None:
        self._options = options
        self._start = None if options.start is None else options.start.encode("ascii")
        self._end = None if options.end is None else options.end.encode("ascii")
        self._prefix = options.row_prefix.encode("ascii")
        self._first = frozenset(b"+-0123456789" + options.decimal.encode("ascii"))
        self._row_signs = _NUMBER_SIGNS + options.separator.encode("ascii")
        self._checksum = None if options.checksum is None else checksum(options.checksum)
        self._tail = b""
        self._in_long_line = False
        self._open: OpenTrace | None = None
        self._nonsense = Nonsense("check speed, parity and data bits of the line, and start and columns in gauge.lines")

    @property
    def busy(self) -> bool:
        """Whether a trace has begun, or a line that has not ended."""
        return self._open is not None or bool(self._tail) or self._in_long_line

    def feed(self, data: bytes) -> list[Event]:
        """Take any number of bytes."""
        *lines, tail = (self._tail + data.replace(b"\r", b"\n")).split(b"\n")
        events: list[Event] = []
        for line in lines:
            if self._in_long_line or len(line) > MAX_LINE_BYTES:
                self._shed(len(line), events)
                self._in_long_line = False
            elif line:
                self._take(line, events)
        if self._in_long_line or len(tail) > MAX_LINE_BYTES:
            self._in_long_line = True
            self._shed(len(tail), events)
            tail = b""
        self._tail = tail
        return events

    def silence(self) -> list[Event]:
        """End an open trace: whole where silence is its end, else broken off."""
        events: list[Event] = []
        cut = len(self._tail)
        self._tail, self._in_long_line = b"", False
        if self._open is None:
            return self._nonsense.add(cut)
        if cut:
            self._open.spoil("the line fell silent in the middle of a row")
        elif self._end is not None:
            self._open.spoil(f"the line fell silent before the end mark {quote(self._options.end or '')}; look at "
                             "cable and gauge, and measure the part again")
        self._finish(events)
        return events

    # -- lines ---------------------------------------------------------------------------------------------------

    def _shed(self, size: int, events: list[Event]) -> None:
        """Drop a piece of a line that is too long."""
        if self._open is not None:
            self._open.spoil(f"a line has more than {MAX_LINE_BYTES} bytes")
        self._ignore(size, events)

    def _ignore(self, size: int, events: list[Event]) -> None:
        """Count what makes no trace; inside a good trace something else says it."""
        if self._open is None or self._open.reason:
            events.extend(self._nonsense.add(size))

    def _take(self, line: bytes, events: list[Event]) -> None:
        body = line if self._checksum is None else self._checked(line)
        if not body:
            if self._open is not None:
                self._open.spoil(f"a line after row {len(self._open.pieces)} does not match its checksum")
            self._ignore(len(line), events)
        elif self._is_row(body):
            self._take_row(body, len(line), events)
        elif body := body.strip():
            self._take_other(body, len(line), events)

    def _checked(self, line: bytes) -> bytes:
        """The line without its checksum; empty where it does not match."""
        assert self._checksum is not None
        body, _, digits = line.rpartition(self._options.checksum_separator.encode("ascii"))
        expected = f"{self._checksum.of(body):0{self._checksum.bits // 4}X}".encode("ascii")
        return body if digits.strip().upper() == expected else b""

    def _is_row(self, line: bytes) -> bool:
        if self._prefix:
            return line.startswith(self._prefix)
        if line[0] in self._first:
            return line not in (self._start, self._end)
        stripped = line.lstrip()
        return stripped[:1] != b"" and stripped[0] in self._first

    def _take_row(self, row: bytes, size: int, events: list[Event]) -> None:
        opened = self._open
        if opened is None:
            if not self._prefix and row.translate(None, self._row_signs):
                self._ignore(size, events)  # noise that happens to begin with a digit
                return
            opened = self._begin(events)
            if self._start is not None:
                opened.spoil(f"rows came without the start mark {quote(self._options.start or '')}")
        if opened.reason:
            return
        if len(opened.pieces) >= MAX_POINTS:
            opened.spoil(f"the trace has more than {MAX_POINTS:,} rows; did an end mark get lost?")
            return
        opened.pieces.append(row)

    def _take_other(self, line: bytes, size: int, events: list[Event]) -> None:
        """A mark, a fact, or nonsense."""
        opened = self._open
        if line == self._start:
            if opened is not None:
                opened.spoil("the next start mark came before the end of the trace")
                self._finish(events)
            self._begin(events)
        elif opened is None:
            self._ignore(size, events)
        elif line == self._end:
            self._finish(events)
        elif not self._take_fact(line, opened):
            opened.spoil(f"after row {len(opened.pieces)} comes {quote(line.decode('latin-1'))}, which is no row of "
                         "gauge.lines, no mark and no fact")
            self._ignore(size, events)

    def _take_fact(self, line: bytes, opened: OpenTrace) -> bool:
        """Keep a header line; facts that nobody asked for are left alone."""
        try:
            name, separator, value = line.decode("utf-8").partition(self._options.fact_separator)
        except UnicodeDecodeError:
            return False
        if not separator or not name.isprintable():
            return False
        key = self._options.facts.get(name.strip())
        if key is not None:
            complaint = opened.facts.add(key, value.strip())
            if complaint:
                opened.spoil(complaint)
        return True

    def _begin(self, events: list[Event]) -> OpenTrace:
        self._open = opened = OpenTrace()
        self._nonsense.count = 0
        events.append(Started())
        return opened

    def _finish(self, events: list[Event]) -> None:
        opened, self._open = self._open, None
        if opened is None:
            return
        if opened.reason:
            events.append(Refused(opened.reason))
            return
        try:
            events.append(_parsed(self._options, opened.pieces, opened.facts.values))
        except ValueError as error:
            events.append(Refused(str(error)))


def _parsed(options: LineFormat, rows: list[bytes], facts: dict[str, str]) -> RawTrace:
    """All rows at once. Raises `ValueError` with the number of the row."""
    if len(rows) < 2:
        raise ValueError(f"the trace has {len(rows)} rows; it needs two at least")
    width = len(options.columns)
    prefix = len(options.row_prefix)
    texts = [row[prefix:].decode("latin-1") for row in rows]
    separator = None if options.separator == " " else options.separator
    cells = texts if width == 1 else [cell for text in texts for cell in text.split(separator)]
    if width > 1 and (len(cells) != width * len(rows) or not _even(texts, separator, width)):
        bad = next(i for i, text in enumerate(texts) if len(text.split(separator)) != width)
        raise ValueError(f"row {bad + 1}: {quote(texts[bad])} has {len(texts[bad].split(separator))} columns; "
                         f"gauge.lines has {width}")
    columns = {name: cells[i::width] for i, name in enumerate(options.columns) if name != "ignored"}
    values = {name: _numbers(name, column, options.decimal) for name, column in columns.items()}
    if "counter" in values:
        _require_steps(values["counter"])
    heights = values["z"]
    whole = bool(np.all(heights == np.rint(heights)) and np.all(np.abs(heights) <= _INT32))
    if "x_mm" not in values:
        return RawTrace(heights.astype(np.int32) if whole else heights, facts=facts)
    bad_place = bad_position(values["x_mm"])
    if bad_place is not None:
        raise ValueError(f"row {bad_place[0] + 1}: {bad_place[1]}")
    printed = [text.replace(",", ".") for text in columns["x_mm"]] if options.decimal == "," else columns["x_mm"]
    return RawTrace(heights.astype(np.int32) if whole else heights, positions_mm=values["x_mm"],
                    position_resolution_mm=resolution_mm(most_decimals(printed, " ".join(printed))), facts=facts)


def _even(texts: list[str], separator: str | None, width: int) -> bool:
    if separator is None:
        return all(len(text.split()) == width for text in texts)
    return all(text.count(separator) == width - 1 for text in texts)


def _numbers(name: str, cells: list[str], decimal: str) -> NDArray[np.float64]:
    text = "".join(cells)
    if decimal == ",":
        cells = [cell.replace(",", ".") for cell in cells]
    plain = not text.encode("latin-1").translate(None, _NUMBER_SIGNS) and (decimal not in text or decimal == "." or
                                                                          "." not in text)
    try:
        values = np.array(list(map(float, cells)))
        if plain and np.isfinite(values).all():
            return values
    except ValueError:
        pass
    for index, cell in enumerate(cells):
        if not _is_number(cell):
            raise ValueError(f'row {index + 1}: {name} is {quote(cell)}; it must be a finite number with '
                             f'"{decimal}" as decimal sign')
    raise ValueError(f'column {name} holds numbers with more than one decimal sign; gauge.lines says "{decimal}"')


def _is_number(cell: str) -> bool:
    try:
        return bool(np.isfinite(float(cell))) and not cell.encode("latin-1").translate(None, _NUMBER_SIGNS)
    except ValueError:
        return False


def _require_steps(counter: NDArray[np.float64]) -> None:
    jumps = np.flatnonzero(np.diff(counter) != 1)
    if jumps.size:
        first = int(jumps[0])
        raise ValueError(f"the counter goes from {counter[first]:.0f} to {counter[first + 1]:.0f} after row "
                         f"{first + 1}; rows were lost or sent twice")
