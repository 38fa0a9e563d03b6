"""The points of an X3P profile: axes, and values from XML text or from a binary matrix."""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import TraceFileError
from crosslay_adapters.tracefiles import common
from crosslay_adapters.tracefiles.common import fail, quote
from crosslay_adapters.tracefiles.x3p_container import Container, is_safe_link, md5_hex
from crosslay_adapters.tracefiles.x3p_document import Document

#: Data types of the matrix; little-endian (from memory, and confirmed against an independent writer).
_DTYPES: Final = {"I": "<i2", "L": "<i4", "F": "<f4", "D": "<f8"}
#: Power of ten from the metres of the file: positions are kept in mm, heights in µm.
_POWERS: Final = {"CX": 3, "CY": 3, "CZ": 6}
_BLOCK_POINTS: Final = 65_536


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis: absolute values ``offset + value·increment``, or steps of `increment`; both m."""

    key: str
    absolute: bool
    dtype: str
    increment: str
    offset_m: float

    @property
    def factor(self) -> float:
        """Increment of an absolute axis as a factor, 1 where none is given."""
        return float(self.increment) if self.increment else 1.0


def read_axes(document: Document) -> dict[str, Axis]:
    """Axes of a profile.

    Raises
    ------
    TraceFileError
        Not a profile, or an axis that no profile along x has.
    """
    kind = document.need("Record1/FeatureType")
    if kind != "PRF":
        what = {"SUR": "a surface (SUR)", "PCL": "a cloud of points (PCL)"}.get(kind, quote(kind))
        raise document.wrong("Record1/FeatureType", f"says that the file holds {what}; only profiles (PRF) are read")
    axes = {key: _read_axis(document, key) for key in _POWERS}
    if not axes["CZ"].absolute:
        raise document.wrong("Record1/Axes/CZ/AxisType", "is I (incremental); heights must be A (absolute)")
    if not axes["CX"].absolute and not axes["CX"].increment:
        raise document.wrong("Record1/Axes/CX/Increment", "is missing; an incremental axis needs one")
    return axes


def _read_axis(document: Document, key: str) -> Axis:
    at = f"Record1/Axes/{key}"
    kind = document.need(f"{at}/AxisType")
    if kind not in {"I", "A"}:
        raise document.wrong(f"{at}/AxisType", f"is {quote(kind)}; it must be I (incremental) or A (absolute)")
    data_type = document.get(f"{at}/DataType") or "D"
    if data_type not in _DTYPES:
        raise document.wrong(f"{at}/DataType", f"is {quote(data_type)}; it must be one of {', '.join(_DTYPES)}")
    increment, offset = document.get(f"{at}/Increment"), document.get(f"{at}/Offset")
    # An unused increment may be 0 (of the y axis of a profile); a factor or a step must be above 0.
    needed = kind == "A" or key == "CX"
    if increment and needed and not 0 < _value(document, f"{at}/Increment", increment) < common.MAX_STEP:
        raise document.wrong(f"{at}/Increment", f"is {quote(increment)}; it must be a number above 0 and below "
                                                f"{common.MAX_STEP:g}")
    return Axis(key, kind == "A", _DTYPES[data_type], increment if needed else "",
                _value(document, f"{at}/Offset", offset) if offset else 0.0)


def _value(document: Document, path: str, text: str) -> float:
    try:
        return common.shifted(text, 0)
    except ValueError as error:
        raise document.wrong(path, f"is {quote(text)}, not a finite number") from error


def matrix_points(document: Document) -> int:
    """Number of points of the profile. Raises `TraceFileError` where the matrix is none of a single profile."""
    sizes = []
    for axis in "XYZ":
        path = f"Record3/MatrixDimension/Size{axis}"
        text = document.need(path)
        if not (text.isascii() and text.isdigit() and len(text) <= 10):
            raise document.wrong(path, f"is {quote(text)}, not a whole number")
        sizes.append(int(text))
    if sizes[1:] != [1, 1]:
        shape = " × ".join(map(str, sizes))
        raise document.wrong("Record3/MatrixDimension/SizeY",
                             f"makes a matrix of {shape}; a single profile has N × 1 × 1")
    if not common.MIN_POINTS <= sizes[0] <= common.MAX_POINTS:
        raise document.wrong("Record3/MatrixDimension/SizeX", f"is {sizes[0]}; a trace has {common.MIN_POINTS} to "
                                                              f"{common.MAX_POINTS:,} points")
    return sizes[0]


@dataclass(slots=True)
class Points:
    """Columns of the absolute axes.

    Attributes
    ----------
    values
        By axis, shape (N,); CX and CY in mm, CZ in µm.
    decimals
        Decimals that the positions in mm are printed with; None where they are not printed.
    lines
        Line of each point in ``main.xml``; empty for a binary matrix.
    """

    values: dict[str, NDArray[np.float64]]
    decimals: int | None = None
    lines: Sequence[int] = ()

    def line(self, index: int) -> int:
        """Line for an error about a point."""
        return self.lines[index] if self.lines else 1


class ListedPoints:
    """Collects points that are listed in ``main.xml``; texts become numbers block by block."""

    def __init__(self) -> None:
        self.count = 0
        self._axes: list[Axis] = []
        self._block: list[list[str]] = []
        self._arrays: list[list[NDArray[np.float64]]] = []
        self._lines = array("I")  # a list would take ten times the memory
        self._decimals = 0

    def take(self, document: Document, text: str, line: int) -> None:
        """Take one ``Datum``: the coordinates of the absolute axes, separated by ``;``.

        Raises
        ------
        TraceFileError
            It does not hold as many numbers as there are absolute axes.
        """
        if not self._axes:
            self._axes = [axis for axis in read_axes(document).values() if axis.absolute]
            self._block, self._arrays = [[] for _ in self._axes], [[] for _ in self._axes]
        self.count += 1
        cells = text.split(";")
        if len(cells) != len(self._axes) or not text.strip():
            raise self._wrong_count(document, text, line)
        for column, cell in zip(self._block, cells, strict=True):
            column.append(cell)
        self._lines.append(line)
        if len(self._block[0]) == _BLOCK_POINTS:
            if self.count > common.MAX_POINTS:
                raise fail(document.name, line, f"there are more than {common.MAX_POINTS:,} points")
            self._flush(document)

    def _wrong_count(self, document: Document, text: str, line: int) -> TraceFileError:
        if not text.strip():
            return fail(document.name, line, f"point {self.count} is marked as not measured; a trace needs every point")
        return fail(document.name, line, f"point {self.count} has {len(text.split(';'))} coordinates; the axes ask for "
                                         f"{len(self._axes)}")

    def _flush(self, document: Document) -> None:
        for axis, column, arrays in zip(self._axes, self._block, self._arrays, strict=True):
            power = _POWERS[axis.key]
            if axis.key == "CX":
                self._decimals = max(self._decimals, common.most_decimals(column) - power)
            values = common.all_shifted(column, power)
            if values is None:
                values = np.array([self._number(document, cell, power, i) for i, cell in enumerate(column)])
            arrays.append(values)
            column.clear()

    def _number(self, document: Document, cell: str, power: int, index_in_block: int) -> float:
        try:
            return common.shifted(cell, power)
        except ValueError as error:
            index = len(self._lines) - len(self._block[-1]) + index_in_block
            raise fail(document.name, self._lines[index], f"point {index + 1}: {quote(cell.strip())} is not a finite "
                                                          "number") from error

    def points(self, document: Document, expected: int) -> Points:
        """Hand out what was collected. Raises `TraceFileError` where the count is not the expected one."""
        if self.count != expected:
            raise fail(document.name, self._lines[-1] if self._lines else 1,
                       f"main.xml lists {self.count} points, its MatrixDimension says {expected}; the file is cut or "
                       "damaged")
        self._flush(document)
        values = {axis.key: _placed(np.concatenate(arrays), axis)
                  for axis, arrays in zip(self._axes, self._arrays, strict=True)}
        plain = all(axis.factor == 1.0 and axis.offset_m == 0.0 for axis in self._axes if axis.key == "CX")
        return Points(values, self._decimals if plain else None, self._lines)


def matrix(container: Container, document: Document, axes: dict[str, Axis], expected: int) -> Points:
    """Read the binary matrix that ``Record3/DataLink`` names.

    Raises
    ------
    TraceFileError
        A link that leads elsewhere, a wrong checksum or size, or a point that was not measured.
    """
    data = _linked(container, document, "Record3/DataLink/PointDataLink", "Record3/DataLink/MD5ChecksumPointData")
    columns = [axis for axis in axes.values() if axis.absolute]
    dtype = np.dtype([(axis.key, axis.dtype) for axis in columns])
    if len(data) != expected * dtype.itemsize:
        raise document.wrong("Record3/DataLink/PointDataLink",
                             f"leads to {len(data):,} bytes; {expected} points of {dtype.itemsize} bytes need "
                             f"{expected * dtype.itemsize:,}; the file is cut or damaged")
    if document.get("Record3/DataLink/ValidPointsLink"):
        _require_all_valid(container, document, expected)
    table = np.frombuffer(data, dtype=dtype)
    missing = np.isnan(table["CZ"])
    if missing.any():
        raise _not_measured(document, int(np.argmax(missing)))
    with np.errstate(over="ignore"):
        metres = {axis: table[axis.key].astype(np.float64) for axis in columns}
        return Points({axis.key: _placed(values * 10.0 ** _POWERS[axis.key], axis) for axis, values in metres.items()})


def _require_all_valid(container: Container, document: Document, expected: int) -> None:
    """One bit a point, the lowest bit first (from memory, and confirmed against an independent writer)."""
    path = "Record3/DataLink/ValidPointsLink"
    data = _linked(container, document, path, "Record3/DataLink/MD5ChecksumValidPoints")
    if len(data) < math.ceil(expected / 8):
        raise document.wrong(path, f"leads to {len(data)} bytes; {expected} points need {math.ceil(expected / 8)}")
    bits = np.unpackbits(np.frombuffer(data, dtype=np.uint8), count=expected, bitorder="little")
    if not bits.all():
        raise _not_measured(document, int(np.argmin(bits)))


def _not_measured(document: Document, index: int) -> Exception:
    return document.wrong("Record3/DataLink", f"marks point {index + 1} as not measured; a trace needs every point")


def _linked(container: Container, document: Document, link_path: str, checksum_path: str) -> bytes:
    link = document.need(link_path)
    if not is_safe_link(link):
        raise document.wrong(link_path, f"is {quote(link)}; it must name an entry of the same archive")
    data = container.read(link, f"{link_path} names")
    stated = document.get(checksum_path).lower()
    if stated and stated != md5_hex(data):
        raise document.wrong(checksum_path, f"does not fit {quote(link)}; the file is damaged")
    return data


def _placed(values: NDArray[np.float64], axis: Axis) -> NDArray[np.float64]:
    """Apply increment and offset of an absolute axis; 1 and 0, as usual, change no bit."""
    with np.errstate(over="ignore", invalid="ignore"):
        if axis.factor != 1.0:
            values = values * axis.factor
        if axis.offset_m != 0.0:
            values = values + axis.offset_m * 10.0 ** _POWERS[axis.key]
    return values
