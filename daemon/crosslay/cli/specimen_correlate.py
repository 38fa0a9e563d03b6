"""``crosslay specimen STATION.toml correlate FILE.csv``: stored values against a laboratory's on the same parts.

It only reads. The file has one line for each part, ``part,value`` or ``part,value,U`` with the expanded uncertainty U
at k = 2; a first line ``part,…`` is a heading.
"""

from __future__ import annotations

import argparse
import csv
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crosslay.cli.output import SHOWN_UNITS, emit, emit_json, number
from crosslay.errors import UsageError
from crosslay.inspection.correlation import Correlation, Line, NoCorrelation, Pair, correlate
from crosslay.plan.load import StationPlan
from crosslay.record.reader import Reader

_LAB_COVERAGE = 2.0
_SHARED = ("the uncertainties of stored values hold the calibration's, which all parts share; where that is most of "
           "them, the intervals are wider than they need be")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lab:
    """One line of the laboratory's file."""

    part: str
    value: float
    standard_uncertainty: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Joined:
    """What both sides know, and the parts that only the laboratory knows."""

    callout: str
    unit: str
    pairs: tuple[Pair, ...]
    missing: tuple[str, ...]


def compare(plan: StationPlan, file: Path, arguments: argparse.Namespace) -> int:
    """Print what in-line and laboratory values say of each other; 0 with a line, 3 without one."""
    joined = _join(plan, _read(file), _callout(plan, arguments.callout))
    found = correlate(joined.pairs, variance_ratio=arguments.variance_ratio)
    if arguments.json:
        emit_json(_document(joined, found))
    else:
        emit("\n".join(_lines(joined, found)))
    return 0 if isinstance(found, Correlation) and found.line is not None else 3


def _callout(plan: StationPlan, wanted: str | None) -> tuple[str, str]:
    """Characteristic and call-out to compare."""
    known = [(each.characteristic, each.callout.text) for each in plan.requirements]
    fitting = [pair for pair in known if wanted is None or wanted in pair]
    if len(fitting) == 1:
        return fitting[0]
    names = "; ".join(f"{name}: {text}" for name, text in known)
    what = "there are several call-outs" if wanted is None else f'"{wanted}" names {len(fitting) or "no"} call-outs'
    raise UsageError(f"{what}; give --callout with one of: {names}")


def _read(file: Path) -> list[_Lab]:
    try:
        with file.open(encoding="utf-8-sig", newline="") as stream:
            rows = [(at, row) for at, row in enumerate(csv.reader(stream, strict=True), 1) if any(map(str.strip, row))]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise UsageError(f"{file}: cannot be read as CSV in UTF-8 ({error})") from error
    if rows and rows[0][1][0].strip().lower() == "part":
        rows = rows[1:]
    if not rows:
        raise UsageError(f"{file}: no line with part,value or part,value,U")
    return [_lab(f"{file}:{at}", [cell.strip() for cell in row]) for at, row in rows]


def _lab(where: str, cells: list[str]) -> _Lab:
    if len(cells) not in (2, 3) or not cells[0]:
        raise UsageError(f"{where}: {len(cells)} columns; a line is part,value or part,value,U, with a decimal point")
    numbers = []
    for text in cells[1:]:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not (math.isfinite(value) and value > 0.0):
            raise UsageError(f'{where}: "{text}" is not a number above 0')
        numbers.append(value)
    return _Lab(
        part=cells[0], value=numbers[0],
        standard_uncertainty=numbers[1] / _LAB_COVERAGE if len(numbers) > 1 else None,
    )  # fmt: skip


def _join(plan: StationPlan, laboratory: list[_Lab], wanted: tuple[str, str]) -> _Joined:
    """The newest stored value of each part of the file."""
    pairs, missing, unit = [], [], "um"
    reader = Reader(plan.state_dir)
    try:
        reader.open()
        for each in laboratory:
            item = _newest(reader, each.part, wanted)
            if item is None:
                missing.append(each.part)
                continue
            unit = item["unit"]
            expanded, factor = item.get("expandedUncertainty"), item.get("coverageFactor")
            pairs.append(Pair(
                part=each.part, inline=item["value"], laboratory=each.value, u_laboratory=each.standard_uncertainty,
                u_inline=expanded / factor if expanded and factor else None,
            ))  # fmt: skip
    finally:
        reader.close()
    return _Joined(callout=f"{wanted[0]}: {wanted[1]}", unit=unit, pairs=tuple(pairs), missing=tuple(missing))


def _newest(reader: Reader, part: str, wanted: tuple[str, str]) -> dict[str, Any] | None:
    """The call-out's entry in the part's newest result that has a value for it, the mean over several positions."""
    for row in reversed(reader.rows(part_id=part)):
        items = [
            item for item in json.loads(row.payload)["data"].get("characteristics", [])
            if (item["name"], item["callout"]) == wanted and item["value"] is not None
        ]
        if len(items) > 1:  # how positions share their uncertainty is not stored
            return {"value": math.fsum(item["value"] for item in items) / len(items), "unit": items[0]["unit"]}
        if items:
            found: dict[str, Any] = items[0]
            return found
    return None


def _lines(joined: _Joined, found: Correlation | NoCorrelation) -> list[str]:
    shown = SHOWN_UNITS.get(joined.unit, joined.unit)
    lines = [f"{joined.callout}, in-line values against {len(joined.pairs)} laboratory values, in {shown}"]
    if isinstance(found, NoCorrelation):
        lines.append(f"nothing can be said: {found.reason}")
    else:
        low, high = found.bias_interval
        lines.append(f"bias        {found.bias:+.4g} ({low:+.4g} to {high:+.4g}, 95 %), {found.bias_percent:+.2f} % of "
                     f"the mean; the differences scatter by {number(found.difference_sd)}")
        lines += [f"no line     {found.line_reason}"] if found.line is None else _line_lines(found.line, joined.pairs)
        lines += [f"look at     {part}: it lies off the line by more than chance" for part in found.outliers]
        lines += [f"note        {note}" for note in found.notes]
    if any(pair.u_inline for pair in joined.pairs):
        lines.append(f"note        {_SHARED}")
    if joined.missing:
        lines.append(f"no value    is stored for {', '.join(joined.missing)}")
    return lines


def _line_lines(line: Line, pairs: tuple[Pair, ...]) -> list[str]:
    middle = sum(pair.laboratory for pair in pairs) / len(pairs)
    low, high = line.prediction_interval(middle)
    slope = f"{line.slope:.4f} ({line.slope_interval[0]:.4f} to {line.slope_interval[1]:.4f}, 95 %)"
    intercept = f"{line.intercept:+.4g} ({line.intercept_interval[0]:+.4g} to {line.intercept_interval[1]:+.4g}, 95 %)"
    return [
        f"slope       {slope}; equal to 1: p = {line.p_slope_one:.2g}",
        f"intercept   {intercept}; equal to 0: p = {line.p_intercept_zero:.2g}",
        f"agreement   slope 1 and intercept 0 at once: p = {line.p_agreement:.2g} ({line.method.value})",
        f"prediction  a part of {number(middle)} reads {number(low)} to {number(high)} in line (95 %)",
    ]


def _document(joined: _Joined, found: Correlation | NoCorrelation) -> dict[str, Any]:
    document: dict[str, Any] = {"callout": joined.callout, "unit": joined.unit, "parts": len(joined.pairs),
                                "missing": list(joined.missing)}  # fmt: skip
    if isinstance(found, NoCorrelation):
        return document | {"reason": found.reason}
    line = found.line
    document |= {
        "bias": found.bias, "biasInterval": list(found.bias_interval), "biasPercent": found.bias_percent,
        "differenceDeviation": found.difference_sd, "outliers": list(found.outliers), "notes": list(found.notes),
    }  # fmt: skip
    if line is None:
        return document | {"reason": found.line_reason}
    return document | {
        "method": line.method.value, "slope": line.slope, "slopeInterval": list(line.slope_interval),
        "intercept": line.intercept, "interceptInterval": list(line.intercept_interval),
        "slopeOneP": line.p_slope_one, "interceptZeroP": line.p_intercept_zero, "agreementP": line.p_agreement,
        "scatterP": line.p_scatter, "degreesOfFreedom": line.dof,
    }  # fmt: skip
