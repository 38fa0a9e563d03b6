"""CSV traces: facts in ``#`` lines, a header row, one row per point (page *interface*, section *Trace files*).

The file is read in blocks of about a megabyte, so that the text of a million points never stands in memory as objects.
A block that holds nothing but well-formed numbers is converted as a whole; only a block in which that fails is read
again line by line, to say which line it was.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import ClassVar, Final

import numpy as np
from numpy.typing import NDArray

from crosslay.texture.trace import Trace
from crosslay_adapters.tracefiles import common
from crosslay_adapters.tracefiles.common import fail, quote

_BLOCK_BYTES: Final = 1 << 20
_BOM: Final = b"\xef\xbb\xbf"
_UTF16: Final = (b"\xff\xfe", b"\xfe\xff")
#: No row of one or two numbers is longer.
_MAX_ROW: Final = 400
_COLUMNS: Final = ("x_mm", "z_um")
_NUMBER_BYTES: Final = b"0123456789+-.eE"
_HEADER_HELP: Final = 'the header row must be "x_mm,z_um" or "z_um" (with a decimal comma: "x_mm;z_um")'
#: Where a file gives positions and a spacing, they may differ by this share; beyond it one of them is wrong.
_SPACING_AGREEMENT: Final = 0.01


class CsvFormat:
    """Reader and writer of CSV traces."""

    extensions: ClassVar[tuple[str, ...]] = (".csv",)

    def read(self, data: bytes, name: str, *, spacing_um: float | None = None) -> Trace:
        """Parse a whole file.

        Parameters
        ----------
        data
            The file's bytes: UTF-8, with or without byte order mark, lines ended by LF, CRLF or CR.
        name
            The file's name for error texts.
        spacing_um
            Sampling spacing, µm, used only where the file gives none itself.

        Returns
        -------
        Trace
            Heights in µm as float64; positions wherever the file has an ``x_mm`` column.

        Raises
        ------
        TraceFileError
            With ``name:line:`` in front, for anything that is not a CSV trace.
        """
        common.check_size(data, name)
        return _Reader(_plain_text(data, name), name).trace(spacing_um)

    def write(self, trace: Trace) -> bytes:
        """Write a trace so that heights, spacing, positions and facts read back equal, bit for bit.

        Raises
        ------
        TraceError
            A height or a fact that no CSV trace can hold.
        """
        heights_um = common.exact_heights(trace, "CSV")
        common.check_facts(trace.facts, "CSV")
        lines = [f"# {key}: {value}" for key, value in trace.facts.items()]
        if trace.positions_mm is None:
            lines += [f"# spacing_um: {trace.spacing_um!r}", "z_um", *map(repr, heights_um.tolist())]
        else:
            x_texts = common.position_texts(trace.positions_mm, trace.position_resolution_mm)
            rows = zip(x_texts, heights_um.tolist(), strict=True)
            lines += [",".join(_COLUMNS), *(f"{x},{z!r}" for x, z in rows)]
        return ("\n".join(lines) + "\n").encode("utf-8")


@dataclass(slots=True)
class _Reader:
    """One file on its way from bytes to a trace."""

    text: bytes
    name: str
    facts: dict[str, str] = field(default_factory=dict)
    fact_lines: dict[str, int] = field(default_factory=dict)
    columns: tuple[str, ...] = ()
    separator: str = ","
    body_start: int = 0
    header_line: int = 0
    decimal_sign: str = ""
    decimals: int = 0

    def trace(self, default_spacing_um: float | None) -> Trace:
        self._read_head()
        values = self._read_body()
        heights_um = np.ascontiguousarray(values[:, self.columns.index("z_um")])
        bad = common.first_bad_height(heights_um)
        if bad is not None:
            raise fail(self.name, self._line_of_row(bad), common.height_complaint(float(heights_um[bad])))
        numbers = {key: self._number_fact(key) for key in common.NUMERIC_FACTS if key in self.facts}
        given_um = numbers.get("spacing_um")
        facts = {key: value for key, value in self.facts.items() if key != "spacing_um"}
        for key in set(numbers) & set(facts):
            facts[key] = facts[key].replace(",", ".")
        if "x_mm" not in self.columns:
            return common.make_trace(self.name, self.header_line, samples=heights_um, facts=facts,
                                     spacing_um=self._spacing(given_um, default_spacing_um))
        positions_mm = np.ascontiguousarray(values[:, self.columns.index("x_mm")])
        resolution_mm = common.resolution_mm(self.decimals)
        spacing_um = self._spacing_from(positions_mm, given_um, resolution_mm)
        return common.make_trace(self.name, self.header_line, samples=heights_um, spacing_um=spacing_um, facts=facts,
                                 positions_mm=positions_mm, position_resolution_mm=resolution_mm)

    # -- head: facts and the header row ------------------------------------------------------------------------

    def _read_head(self) -> None:
        line_number = 0
        for line_number, start, end in _lines(self.text):
            line = self.text[start:end].decode("utf-8").strip()
            if line.startswith("#"):
                self._take_fact(line, line_number)
            elif line:
                self._take_header(line, line_number)
                self.body_start, self.header_line = end + 1, line_number
                return
        raise fail(self.name, max(line_number, 1), f"there is no header row and no data; {_HEADER_HELP}")

    def _take_header(self, line: str, line_number: int) -> None:
        self.separator = ";" if ";" in line else ","
        self.columns = tuple(cell.strip().strip('"') for cell in line.split(self.separator))
        if sorted(self.columns) not in (["z_um"], sorted(_COLUMNS)):
            raise fail(self.name, line_number, f"{quote(line)} is not a header row; {_HEADER_HELP}")

    def _take_fact(self, line: str, line_number: int) -> None:
        key, colon, value = (part.strip() for part in line.lstrip("#").partition(":"))
        if not colon or not key:
            return  # a remark, not a fact
        if len(line) > common.MAX_FACT_CHARACTERS:
            raise fail(self.name, line_number, f"the fact has {len(line)} characters; at most "
                                               f"{common.MAX_FACT_CHARACTERS} are read")
        if self.facts.setdefault(key, value) != value:
            raise fail(self.name, line_number, f"{quote(key)} is {quote(value)} here but {quote(self.facts[key])} "
                                               f"in line {self.fact_lines[key]}; give it once")
        self.fact_lines.setdefault(key, line_number)
        if len(self.facts) > common.MAX_FACTS:
            raise fail(self.name, line_number, f"more than {common.MAX_FACTS} facts; is this a trace file?")

    def _number_fact(self, key: str) -> float:
        text = self.facts[key]
        value = _number(text.replace(",", ".") if self.separator == ";" else text)
        if value is None or not (math.isfinite(value) and value > 0):
            raise fail(self.name, self.fact_lines[key],
                       f"{key} is {quote(text)}; it must be a number above 0, such as 0.5")
        return value

    # -- body: the rows ----------------------------------------------------------------------------------------

    def _read_body(self) -> NDArray[np.float64]:
        """Return all rows, shape (N, columns)."""
        blocks: list[NDArray[np.float64]] = []
        points, line_number = 0, self.header_line + 1
        for block in _blocks(self.text, self.body_start):
            values = self._convert(block, line_number)
            blocks.append(values)
            points += values.shape[0]
            line_number += block.count(b"\n")
            if points > common.MAX_POINTS:
                raise fail(self.name, line_number,
                           f"there are more than {common.MAX_POINTS:,} points; at most that many are read")
        if points < common.MIN_POINTS:
            found = "no row of data" if points == 0 else "only one row of data"
            raise fail(self.name, max(line_number - 1, self.header_line), f"{found}; a trace has at least two heights")
        return np.concatenate(blocks)

    def _convert(self, block: bytes, first_line: int) -> NDArray[np.float64]:
        text = block.decode("utf-8")
        if "#" in text:
            self._take_late_facts(text, first_line)
        rows = [row for row in map(str.strip, text.split("\n")) if row and row[0] != "#"]
        values = self._convert_fast(rows)
        if values is not None:
            return values
        for offset, line in enumerate(text.split("\n")):
            row = line.strip()
            if row and row[0] != "#":
                self._check_row(row, first_line + offset)
        raise AssertionError("a block that cannot be converted has a line that cannot")

    def _take_late_facts(self, text: str, first_line: int) -> None:
        for offset, line in enumerate(text.split("\n")):
            if line.lstrip().startswith("#"):
                self._take_fact(line.strip(), first_line + offset)

    def _convert_fast(self, rows: list[str]) -> NDArray[np.float64] | None:
        """Convert rows all at once; None where any of them is not a row of numbers."""
        separator, width = self.separator, len(self.columns)
        joined = separator.join(rows)
        allowed = _NUMBER_BYTES + b" \t" + separator.encode() + (b"," if separator == ";" else b"")
        if not joined.isascii() or joined.encode("ascii").translate(None, allowed):
            return None
        if {row.count(separator) for row in rows} - {width - 1} or max(map(len, rows), default=0) > _MAX_ROW:
            return None
        if not self._keeps_decimal_sign(joined):
            return None
        cells = (joined.replace(",", ".") if separator == ";" else joined).split(separator) if rows else []
        try:
            values = np.fromiter(map(float, cells), dtype=np.float64, count=len(cells)).reshape(len(rows), width)
        except ValueError:
            return None
        if not np.isfinite(values).all():  # a number like 1e999
            return None
        if "x_mm" in self.columns and cells:
            self.decimals = max(self.decimals, common.most_decimals(cells[self.columns.index("x_mm")::width], joined))
        return values

    def _keeps_decimal_sign(self, text: str) -> bool:
        """Whether the file has kept to one decimal sign so far; with ``;`` it may be either, but not both."""
        if self.separator == ",":
            return True
        signs = {sign for sign in ",." if sign in text}
        if len(signs) == 1 and not self.decimal_sign:
            self.decimal_sign = min(signs)
        return signs <= {self.decimal_sign}

    def _check_row(self, row: str, line: int) -> None:
        """Raise the error of a row that does not hold as many numbers as there are columns."""
        cells = [cell.strip() for cell in row.split(self.separator)]
        if len(row) > _MAX_ROW:
            raise fail(self.name, line, f"the row has {len(row)} characters; numbers take at most {_MAX_ROW}")
        if len(cells) != len(self.columns):
            comma = self.separator == "," and len(cells) == 2 * len(self.columns)
            hint = '; a decimal comma is understood only with ";" between the columns' if comma else ""
            raise fail(self.name, line, f"the row has {len(cells)} value{'s' * (len(cells) != 1)}, the header names "
                                        f"{len(self.columns)} ({self.separator.join(self.columns)}){hint}")
        if not self._keeps_decimal_sign(row):
            so_far = f", which was {quote(self.decimal_sign)} so far" if self.decimal_sign else ""
            raise fail(self.name, line, f"{quote(row)} does not keep to one decimal sign{so_far}; use a comma or a "
                                        "point, and nothing between thousands")
        for column, cell in zip(self.columns, cells, strict=True):
            value = _number(cell.replace(",", ".") if self.separator == ";" else cell)
            if value is None:
                wrong = f"{column} is {quote(cell)}, not a number" if cell else f"{column} is missing"
                raise fail(self.name, line, wrong)
            if not math.isfinite(value):
                raise fail(self.name, line, f"{column} is {quote(cell)}; it must be a finite number")

    def _line_of_row(self, index: int) -> int:
        """Line number of the row with this index; remarks and blank lines may stand between."""
        row = -1
        for line_number, start, end in _lines(self.text, self.body_start, self.header_line + 1):
            line = self.text[start:end].strip()
            row += bool(line) and not line.startswith(b"#")
            if row == index:
                return line_number
        raise AssertionError("a row that was read has a line")

    # -- spacing -----------------------------------------------------------------------------------------------

    def _spacing(self, given_um: float | None, default_um: float | None) -> float:
        spacing_um = default_um if given_um is None else given_um
        if spacing_um is None:
            raise fail(self.name, self.header_line, 'there is no spacing; add a line like "# spacing_um: 0.5" above '
                                                    "the header, or an x_mm column")
        return spacing_um

    def _spacing_from(self, positions_mm: NDArray[np.float64], given_um: float | None, resolution_mm: float) -> float:
        bad = common.bad_position(positions_mm)
        if bad is not None:
            raise fail(self.name, self._line_of_row(bad[0]), bad[1])
        mean_um = common.mean_spacing_um(positions_mm)
        rounding_um = 1000.0 * resolution_mm / (positions_mm.size - 1)
        if given_um is not None and abs(given_um - mean_um) > _SPACING_AGREEMENT * mean_um + rounding_um:
            raise fail(self.name, self.fact_lines["spacing_um"],
                       f"spacing_um is {given_um:g}, but the x_mm column has a mean spacing of {mean_um:g} µm; "
                       "remove the wrong one")
        return mean_um


def _plain_text(data: bytes, name: str) -> bytes:
    """Check that the bytes are UTF-8 text; return them without byte order mark and with LF line ends."""
    if data.startswith(_UTF16):
        raise fail(name, 1, "the file is UTF-16 text; save it as UTF-8")
    text = data.removeprefix(_BOM)
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    nul = text.find(b"\0")
    if nul >= 0:
        raise fail(name, text.count(b"\n", 0, nul) + 1, "there is a NUL byte: this is binary data, not CSV text")
    if not text.isascii():
        try:
            text.decode("utf-8")
        except UnicodeDecodeError as error:
            start_of_line = text.rfind(b"\n", 0, error.start) + 1
            raise fail(name, text.count(b"\n", 0, error.start) + 1,
                       f"byte {error.start - start_of_line + 1} of the line is 0x{text[error.start]:02X}, "
                       "which is not UTF-8; save the file as UTF-8") from error
    return text


def _lines(text: bytes, start: int = 0, line_number: int = 1) -> Iterator[tuple[int, int, int]]:
    """Line numbers with the start and end of each line."""
    while start < len(text):
        end = text.find(b"\n", start)
        end = len(text) if end < 0 else end
        yield line_number, start, end
        start, line_number = end + 1, line_number + 1


def _blocks(text: bytes, start: int) -> Iterator[bytes]:
    """Pieces of about a megabyte that end with whole lines."""
    while start < len(text):
        end = text.find(b"\n", start + _BLOCK_BYTES) + 1 or len(text)
        yield text[start:end]
        start = end


def _number(text: str) -> float | None:
    """Parse a number; infinity and NaN are parsed too, so that the error can name them."""
    if "_" in text or not text.isascii():
        return None
    try:
        return float(text)
    except ValueError:
        return None
