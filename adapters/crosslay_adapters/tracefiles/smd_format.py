"""SMD traces: the ASCII data format of ISO 5436-2:2001, profiles (``PRF``) only.

The byte-level description was at hand *from memory* only; where it leaves a choice, this module states its own:

- Four records, each ended by ETX (0x03) and CRLF; SUB (0x1A) ends the file. Lines end with CRLF (LF is read too).
- Record 1: the revision line, ``PRF`` with a number, then one line per axis: name, type, points, unit, scale factor,
  data type and, for an incremental axis, its increment: ``CX I 9601 um 1.0 D 0.5``.
- Record 2: one keyword with its text a line.
- Record 3: one value a line; with absolute positions first all of CX, then all of CZ (or both on one line).
- Record 4: the sum of all bytes before it, modulo 65536, decimal. It is checked in files that crosslay wrote; for
  others the rule is not certain enough to refuse a trace by it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import ClassVar, Final

import numpy as np
from numpy.typing import NDArray

from crosslay.texture.trace import Trace
from crosslay_adapters.tracefiles import common
from crosslay_adapters.tracefiles.common import fail, quote

_ETX: Final = b"\x03"
_SUB: Final = b"\x1a"
_REVISION: Final = "ISO 5436 - 2000"
_OWN: Final = "crosslay"
#: Power of ten from a unit to µm.
_UNITS: Final = {"m": 6, "mm": 3, "um": 0, "nm": -3}
_AXES: Final = ("CX", "CY", "CZ")
_DATA_TYPES: Final = ("I", "L", "F", "D")


class SmdFormat:
    """Reader and writer of SMD profiles."""

    extensions: ClassVar[tuple[str, ...]] = (".smd",)

    def read(self, data: bytes, name: str, *, spacing_um: float | None = None) -> Trace:
        """Parse a whole file.

        Parameters
        ----------
        data
            The file's bytes.
        name
            The file's name for error texts.
        spacing_um
            Not used: an SMD profile always gives its spacing or its positions.

        Raises
        ------
        TraceFileError
            With ``name:line:`` in front, for anything that is not an SMD profile.
        """
        del spacing_um
        common.check_size(data, name)
        return _Reader(name, *_split(data, name)).trace()

    def write(self, trace: Trace) -> bytes:
        """Write a trace so that heights, spacing, positions and facts read back equal, bit for bit.

        Heights are printed in µm and positions in mm, in full, with a scale factor of 1, so that nothing is multiplied
        on the way back.

        Raises
        ------
        TraceError
            A height or a fact that no SMD file can hold.
        """
        heights_um = common.exact_heights(trace, "SMD")
        common.check_facts(trace.facts, "SMD")
        even = trace.positions_mm is None
        points = trace.points
        x_axis = f"CX I {points} um 1.0 D {trace.spacing_um!r}" if even else f"CX A {points} mm 1.0 D"
        header = [f"{_REVISION} {_OWN}", "PRF 0", x_axis, f"CZ A {points} um 1.0 D"]
        values = [repr(z) for z in heights_um.tolist()]
        if trace.positions_mm is not None:
            values = [*common.position_texts(trace.positions_mm, trace.position_resolution_mm), *values]
        records = [_record(header), _record([f"CREATED_BY {_OWN}", *_keyword_lines(trace.facts)]), _record(values)]
        body = b"".join(records)
        return body + _record([str(_checksum(body))]) + _SUB


@dataclass(frozen=True, slots=True)
class _Record:
    """Lines of one record with the number of the first."""

    lines: list[str]
    first_line: int


@dataclass(frozen=True, slots=True)
class _Axis:
    """One axis line."""

    kind: str
    points: int
    power_um: int
    scale: float
    increment: str
    line: int

    def increment_um(self) -> float:
        """Spacing, µm; exact where the scale factor is 1. Raises `ValueError`."""
        value_um = common.shifted(self.increment, self.power_um)
        return value_um if self.scale == 1.0 else value_um * self.scale


@dataclass(slots=True)
class _Reader:
    """One file on its way from records to a trace."""

    name: str
    header: _Record
    remarks: _Record
    values: _Record
    checksum: _Record
    body: bytes
    axes: dict[str, _Axis] = field(default_factory=dict)

    def trace(self) -> Trace:
        self._read_header()
        facts, own = self._read_remarks()
        if own:
            self._check_sum()
        positions, heights = self._columns()
        cz = self.axes["CZ"]
        heights_um = self._numbers(heights, cz.power_um, cz.scale, self.values.first_line + len(positions))
        bad_height = common.first_bad_height(heights_um)
        if bad_height is not None:
            raise fail(self.name, self.values.first_line + len(positions) + bad_height,
                       common.height_complaint(float(heights_um[bad_height])))
        cx = self.axes["CX"]
        if not positions:
            return common.make_trace(self.name, cx.line, samples=heights_um, spacing_um=cx.increment_um(), facts=facts)
        positions_mm = self._numbers(positions, cx.power_um - 3, cx.scale, self.values.first_line)
        bad_place = common.bad_position(positions_mm)
        if bad_place is not None:
            raise fail(self.name, self.values.first_line + bad_place[0], bad_place[1])
        decimals = common.most_decimals(positions) - (cx.power_um - 3)
        return common.make_trace(
            self.name, cx.line, samples=heights_um, facts=facts, positions_mm=positions_mm,
            spacing_um=common.mean_spacing_um(positions_mm),
            position_resolution_mm=common.resolution_mm(decimals) if cx.scale == 1.0 else 0.0,
        )

    # -- record 1 ----------------------------------------------------------------------------------------------

    def _read_header(self) -> None:
        lines = [(self.header.first_line + i, line.strip()) for i, line in enumerate(self.header.lines) if line.strip()]
        if not lines or not lines[0][1].lstrip("'\"( ").upper().startswith("ISO 5436"):
            raise fail(self.name, self.header.first_line, f'an SMD file begins with "{_REVISION}"')
        for line, text in lines[1:]:
            words = text.split()
            if words[0].upper() in _AXES:
                self._take_axis(words, line)
            elif words[0].upper() in {"SUR", "PCL"}:
                raise fail(self.name, line, f"the file holds no profile (PRF) but {quote(words[0].upper())}; only "
                                            "profiles are read")
        if not any(text.split()[0].upper() == "PRF" for _line, text in lines[1:]):
            raise fail(self.name, lines[-1][0], 'record 1 names no feature type; a profile has a line "PRF 0"')
        if missing := {"CX", "CZ"} - set(self.axes):
            raise fail(self.name, lines[-1][0], f"record 1 has no line for the axis {' and '.join(sorted(missing))}")
        self._check_axes()

    def _take_axis(self, words: list[str], line: int) -> None:
        key = words[0].upper()
        if key in self.axes:
            raise fail(self.name, line, f"the axis {key} is there twice")
        if len(words) < 6:
            raise fail(self.name, line, f"the line of axis {key} has {len(words)} words; it needs name, type, points, "
                                        'unit, scale factor and data type, such as "CX I 9601 um 1.0 D 0.5"')
        kind, count, unit, scale_text, data_type = (word.strip("'\"") for word in words[1:6])
        if not (count.isascii() and count.isdigit() and common.MIN_POINTS <= int(count[:10]) <= common.MAX_POINTS):
            raise fail(self.name, line, f"the number of points is {quote(count)}; it must be a whole number from "
                                        f"{common.MIN_POINTS} to {common.MAX_POINTS:,}")
        if kind.upper() not in {"I", "A"}:
            raise fail(self.name, line, f"the axis type is {quote(kind)}; only I (incremental) and A (absolute) are "
                                        "read")
        if unit.lower() not in _UNITS:
            raise fail(self.name, line, f"the unit is {quote(unit)}; it must be one of {', '.join(_UNITS)}")
        if data_type.upper() not in _DATA_TYPES:
            raise fail(self.name, line, f"the data type is {quote(data_type)}; it must be one of "
                                        f"{', '.join(_DATA_TYPES)}")
        scale = self._positive(scale_text, "scale factor", line)
        increment = words[6].strip("'\"") if len(words) > 6 else ""
        self.axes[key] = _Axis(kind.upper(), int(count), _UNITS[unit.lower()], scale, increment, line)

    def _check_axes(self) -> None:
        cx, cz = self.axes["CX"], self.axes["CZ"]
        if cz.kind != "A":
            raise fail(self.name, cz.line, "the heights (CZ) must be of type A (absolute)")
        if cx.points != cz.points:
            raise fail(self.name, cz.line, f"CZ has {cz.points} points, CX has {cx.points}; they must be equal")
        if "CY" in self.axes and self.axes["CY"].kind != "I":
            raise fail(self.name, self.axes["CY"].line, "the axis CY has values of its own; only profiles along x are "
                                                        "read")
        if cx.kind == "I":
            self._positive(cx.increment, "increment of CX", cx.line)

    def _positive(self, text: str, what: str, line: int) -> float:
        try:
            value = common.shifted(text, 0)
        except ValueError:
            value = math.nan
        if not 0 < value < common.MAX_STEP:
            raise fail(self.name, line, f"the {what} is {quote(text)}; it must be a number above 0 and below "
                                        f"{common.MAX_STEP:g}")
        return value

    # -- records 2 and 4 ---------------------------------------------------------------------------------------

    def _read_remarks(self) -> tuple[dict[str, str], bool]:
        """Return facts, and whether crosslay wrote the file."""
        entries = [line.strip().partition(" ") for line in self.remarks.lines if line.strip()]
        if ("CREATED_BY", " ", _OWN) in entries:
            return common.listed_facts(_unescaped(text) for key, _blank, text in entries if key == "COMMENT"), True
        pairs = [(key, text.strip().strip("'\"")) for key, _blank, text in entries]
        remarks = [value for key, value in pairs if key.upper() == "COMMENT"]
        facts = common.known_facts("\n".join(remarks))
        for key, value in pairs:
            plain = "".join(c if c.isalnum() else "_" for c in key.lower()).strip("_")
            if value and plain and (plain not in common.NUMERIC_FACTS or _is_positive(value)):
                facts.setdefault(plain, value[: common.MAX_FACT_CHARACTERS])
        return dict(list(facts.items())[: common.MAX_FACTS]), False

    def _check_sum(self) -> None:
        stated = [line.strip() for line in self.checksum.lines if line.strip()]
        if stated != [str(_checksum(self.body))]:
            raise fail(self.name, self.checksum.first_line,
                       f"the checksum is {quote(' '.join(stated))}, but the records give {_checksum(self.body)}; the "
                       "file is damaged")

    # -- record 3 ----------------------------------------------------------------------------------------------

    def _columns(self) -> tuple[list[str], list[str]]:
        """Texts of the positions (empty for an incremental axis) and of the heights."""
        count = len(self.values.lines)
        while count and not self.values.lines[count - 1].strip():
            count -= 1
        lines = self.values.lines[:count]
        points, absolute = self.axes["CZ"].points, self.axes["CX"].kind == "A"
        if absolute and len(lines) == points:
            pairs = [line.split() for line in lines]
            for index, pair in enumerate(pairs):
                if len(pair) != 2:
                    raise fail(self.name, self.values.first_line + index,
                               f"the line has {len(pair)} values; a position and a height were expected")
            return [pair[0] for pair in pairs], [pair[1] for pair in pairs]
        expected = 2 * points if absolute else points
        if len(lines) != expected:
            raise fail(self.name, self.values.first_line + min(len(lines), expected),
                       f"record 3 has {len(lines)} values, record 1 says {expected}; the file is cut or damaged")
        return (lines[:points], lines[points:]) if absolute else ([], lines)

    def _numbers(self, texts: list[str], power: int, scale: float, first_line: int) -> NDArray[np.float64]:
        """Values times ten to the `power` times `scale`, shape (N,)."""
        values = common.all_shifted(texts, power)
        if values is None:
            values = np.array([self._number(text, power, first_line + i) for i, text in enumerate(texts)])
        if scale != 1.0:
            with np.errstate(over="ignore"):
                values *= scale
        return values

    def _number(self, text: str, power: int, line: int) -> float:
        try:
            return common.shifted(text, power)
        except ValueError as error:
            raise fail(self.name, line, f"{quote(text.strip())} is not a finite number") from error


def _split(data: bytes, name: str) -> tuple[_Record, _Record, _Record, _Record, bytes]:
    """Cut the file into its records; the last item is everything before record 4, as the checksum counts it."""
    pieces: list[tuple[bytes, int]] = []
    at, line = 0, 1
    while len(pieces) < 4:
        end = data.find(_ETX, at)
        piece = data[at:] if end < 0 else data[at:end]
        pieces.append((piece, line))
        if end < 0:
            break
        line += piece.count(b"\n")
        at = end + 1
        rest = data[at:at + 2]
        skip = 2 if rest == b"\r\n" else int(rest.startswith(b"\n"))
        at, line = at + skip, line + bool(skip)
        if len(pieces) == 3:
            start_of_checksum = at
    if len(pieces) < 4:
        raise fail(name, line, f"only {len(pieces) - 1} of 4 records are ended by ETX (0x03); this is no SMD file, or "
                               "it is cut")
    if end < 0 and not pieces[3][0].strip(b"\r\n" + _SUB):
        raise fail(name, line, "record 4, the checksum, is missing; the file is cut")
    records = [_lines(piece, first, name, ascii_only=index != 1) for index, (piece, first) in enumerate(pieces)]
    return records[0], records[1], records[2], records[3], data[:start_of_checksum]


def _lines(piece: bytes, first_line: int, name: str, *, ascii_only: bool) -> _Record:
    if ascii_only and not piece.isascii():
        at = next(i for i, byte in enumerate(piece) if byte > 0x7F)
        raise fail(name, first_line + piece.count(b"\n", 0, at), f"the byte 0x{piece[at]:02X} is not ASCII")
    nul = piece.find(b"\0")
    if nul >= 0:
        raise fail(name, first_line + piece.count(b"\n", 0, nul), "there is a NUL byte: this is binary data")
    text = piece.strip(_SUB).decode("latin-1").replace("\r\n", "\n")
    return _Record(text.split("\n"), first_line)


def _record(lines: list[str]) -> bytes:
    return "".join(f"{line}\r\n" for line in lines).encode("ascii") + _ETX + b"\r\n"


def _keyword_lines(facts: dict[str, str]) -> list[str]:
    """Facts as remarks, and the speed under its own keyword for other readers."""
    lines = [f"COMMENT {_escaped(f'{key}: {value}')}" for key, value in facts.items()]
    speed_mm_s = common.positive_fact(facts, "speed_mm_s")
    return lines if speed_mm_s is None else [f"SPEED_mm/s {speed_mm_s!r}", *lines]


def _escaped(text: str) -> str:
    return text.encode("unicode_escape").decode("ascii")


def _unescaped(text: str) -> str:
    return text.encode("ascii", "replace").decode("unicode_escape", "replace")


def _is_positive(text: str) -> bool:
    return common.positive_fact({"value": text}, "value") is not None


def _checksum(body: bytes) -> int:
    return int(np.frombuffer(body, dtype=np.uint8).sum(dtype=np.uint64)) % 65536


