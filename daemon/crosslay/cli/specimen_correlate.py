"""``crosslay specimen STATION.toml correlate FILE.csv``: stored values against a laboratory's on the same parts.

Without ``--accept`` it only reads. The file has one line for each part, ``part,value`` or ``part,value,U`` with the
expanded uncertainty U at k = 2; a first line ``part,…`` is a heading.
"""

from __future__ import annotations

import argparse
import csv
import math
from pathlib import Path
from typing import Any

from crosslay.cli.output import SHOWN_UNITS, emit, emit_json, number
from crosslay.errors import UsageError
from crosslay.inspection.correlation import Correlation, Line, NoCorrelation, Pair, correlate
from crosslay.inspection.judge import Requirement
from crosslay.plan.load import StationPlan
from crosslay.station.correlations import Joined, join, requirement_named
from crosslay.station.orders import Laboratory

USAGE = ("correlate FILE.csv [--accept --by WHO --why TEXT], correlate --undo CHARACTERISTIC/CALLOUT --by WHO --why "
         "TEXT, or correlate --list")
_LONGEST_NAME = 256
_SHARED = ("the uncertainties of stored values hold the calibration's, which all parts share; where that is most of "
           "them, the intervals are wider than they need be")


def run(plan: StationPlan, words: list[str], arguments: argparse.Namespace) -> int:
    """Compare, accept, take back or list, as the arguments say.

    Raises
    ------
    UsageError
        They do not fit together, the file cannot be used, or what was asked for is refused.
    """
    from crosslay.cli import specimen_accept

    changes = [name for name in ("accept", "undo", "list") if getattr(arguments, name)]
    if len(changes) > 1:
        raise UsageError(f"--{changes[0]} and --{changes[1]} exclude each other")
    needs_file = not (arguments.undo or arguments.list)
    if needs_file != bool(words):
        raise UsageError(f"it is used so: crosslay specimen STATION.toml {USAGE}")
    if not needs_file and (arguments.callout or arguments.variance_ratio):
        raise UsageError("--callout and --variance-ratio belong to a FILE.csv; --undo and --list take none")
    if not (arguments.accept or arguments.undo) and (arguments.by or arguments.why):
        raise UsageError("--by and --why belong to correlate --accept and --undo")
    if arguments.list:
        return specimen_accept.show(plan, arguments)
    if arguments.undo:
        return specimen_accept.undo(plan, arguments)
    laboratory = _read(Path(words[0]))
    if not arguments.accept:
        return compare(plan, laboratory, arguments)
    arguments.callout = _shown(requirement_named(plan, arguments.callout))
    return specimen_accept.accept(plan, laboratory, arguments)


def compare(plan: StationPlan, laboratory: list[Laboratory], arguments: argparse.Namespace) -> int:
    """Print what in-line and laboratory values say of each other; 0 with a line, 3 without one."""
    joined = join(plan, requirement_named(plan, arguments.callout), laboratory)
    found = correlate(joined.pairs, variance_ratio=arguments.variance_ratio)
    if arguments.json:
        emit_json(_document(joined, found))
    else:
        emit("\n".join(_lines(joined, found)))
    return 0 if isinstance(found, Correlation) and found.line is not None else 3


def _shown(requirement: Requirement) -> str:
    return f"{requirement.characteristic}/{requirement.callout.text}"


def _read(file: Path) -> list[Laboratory]:
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


def _lab(where: str, cells: list[str]) -> Laboratory:
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
    if len(cells[0]) > _LONGEST_NAME:
        raise UsageError(f"{where}: the part's name has {len(cells[0])} characters; at most {_LONGEST_NAME} are taken")
    return Laboratory(part=cells[0], value=numbers[0], expanded=numbers[1] if len(numbers) > 1 else None)


def _lines(joined: Joined, found: Correlation | NoCorrelation) -> list[str]:
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


def _document(joined: Joined, found: Correlation | NoCorrelation) -> dict[str, Any]:
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
