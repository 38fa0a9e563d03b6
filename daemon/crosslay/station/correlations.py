"""Correlations with a laboratory: studied from stored values, put in force and taken back by a person.

A correlation holds for the settings and the amplification correction that its in-line values were measured with. Where
the station measures with others now, the values of its parameter do not count, and say so, until it is taken back or
studied again: a value must never change its meaning without a word.
"""

from __future__ import annotations

import dataclasses
import enum
import hashlib
import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from typing import Any

from crosslay.errors import UsageError
from crosslay.inspection.correlation import AcceptedLine, Correlation, Line, Method, NoCorrelation, Pair, correlate
from crosslay.inspection.judge import Requirement
from crosslay.inspection.laboratory import Lines
from crosslay.plan.load import StationPlan
from crosslay.record.checks import Checks
from crosslay.record.correlations import CorrelationRow, newest_of_each
from crosslay.record.identity import new_result_id
from crosslay.record.reader import Reader
from crosslay.station.corrections import Intent
from crosslay.station.orders import Laboratory, Order
from crosslay.texture.settings import Settings

_COVERAGE = 2.0
_THEN = "from the next part on"


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """What both sides know of the parts of a laboratory's list.

    Attributes
    ----------
    missing
        Parts that only the laboratory knows.
    settings, corrections
        Distinct settings (as JSON) and corrections that the in-line values were measured with.
    """

    callout: str
    unit: str
    pairs: tuple[Pair, ...]
    missing: tuple[str, ...]
    settings: frozenset[str] = frozenset()
    corrections: frozenset[float] = frozenset()


def requirement_named(plan: StationPlan, wanted: str | None) -> Requirement:
    """The call-out that a person means: by its characteristic, its own text, or ``characteristic/call-out``.

    Raises
    ------
    UsageError
        None fits, or several do.
    """
    fitting = [each for each in plan.requirements if wanted is None or wanted in _names(each)]
    if len(fitting) == 1:
        return fitting[0]
    names = "; ".join(f"{each.characteristic}/{each.callout.text}" for each in plan.requirements)
    what = "there are several call-outs" if wanted is None else f'"{wanted}" names {len(fitting) or "no"} call-outs'
    raise UsageError(f"{what}; give --callout with one of: {names}")


def _names(requirement: Requirement) -> tuple[str, ...]:
    name, text = requirement.characteristic, requirement.callout.text
    return name, text, f"{name}/{text}", f"{name}/{requirement.callout.parameter}"


def join(plan: StationPlan, requirement: Requirement, laboratory: Iterable[Laboratory]) -> Joined:
    """The newest stored value of each part, as the gauge itself read it.

    Raises
    ------
    StoreError
        The database cannot be read, or there is none.
    """
    pairs, missing, unit = [], [], "um"
    settings: set[str] = set()
    corrections: set[float] = set()
    reader = Reader(plan.state_dir)
    try:
        reader.open()
        for each in laboratory:
            found = _newest(reader, each.part, requirement)
            if found is None:
                missing.append(each.part)
                continue
            unit = found.unit
            settings.add(found.settings)
            corrections.add(found.correction)
            u_laboratory = None if each.expanded is None else each.expanded / _COVERAGE
            pairs.append(Pair(part=each.part, inline=found.value, laboratory=each.value, u_inline=found.uncertainty,
                              u_laboratory=u_laboratory))  # fmt: skip
    finally:
        reader.close()
    return Joined(callout=f"{requirement.characteristic}: {requirement.callout.text}", unit=unit, pairs=tuple(pairs),
                  missing=tuple(missing), settings=frozenset(settings), corrections=frozenset(corrections))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stored:
    value: float
    unit: str
    uncertainty: float | None
    settings: str
    correction: float


def _newest(reader: Reader, part: str, requirement: Requirement) -> _Stored | None:
    """The call-out's entry in the part's newest result that has a value for it, the mean over several positions."""
    wanted = (requirement.characteristic, requirement.callout.text)
    for row in reversed(reader.rows(part_id=part)):
        data = json.loads(row.payload)["data"]
        items = [each for each in data.get("characteristics", [])
                 if (each["name"], each["callout"]) == wanted and _raw(each) is not None]
        if items:
            return _stored(data, items)
    return None


def _raw(item: Mapping[str, Any]) -> float | None:
    """As the gauge read it."""
    raw: float | None = item["value"] if item.get("rawValue") is None else item["rawValue"]
    return raw


def _stored(data: Mapping[str, Any], items: Sequence[Mapping[str, Any]]) -> _Stored:
    first = items[0]
    check = data.get("referenceCheck") or {}
    uncertainty = None  # how several positions share their uncertainty is not stored
    if len(items) == 1:
        expanded, factor = first.get("expandedUncertainty"), first.get("coverageFactor")
        uncertainty = expanded / factor if expanded and factor else None
        if first.get("rawValue") is not None:
            uncertainty = first.get("rawStandardUncertainty")
    return _Stored(
        value=math.fsum(_raw(each) or 0.0 for each in items) / len(items), unit=first["unit"], uncertainty=uncertainty,
        settings=json.dumps(first.get("settings") or data.get("settings"), sort_keys=True),
        correction=float(check.get("correction", 1.0)),
    )


def accept_correlation(checks: Checks, order: Order, *, plan: StationPlan, amplification: float, at: float) -> Intent:
    """Study the laboratory's values of an order against the stored ones, and put the line in force.

    Raises
    ------
    UsageError
        Nobody is named, no reason is given, the study leads to no line, or its values were measured otherwise.
    StoreError
        The stored values cannot be read.
    """
    _require_person(order)
    requirement = requirement_named(plan, order.callout or None)
    joined = join(plan, requirement, order.laboratory)
    found = correlate(joined.pairs, variance_ratio=order.variance_ratio)
    line = _line_of(found)
    _require_alike(joined, requirement.settings, amplification)
    laboratory = [each.laboratory for each in joined.pairs]
    row = CorrelationRow(
        correlation_id=str(new_result_id(at)), characteristic=requirement.characteristic,
        parameter=requirement.callout.parameter, settings_hash=settings_hash(requirement.settings),
        amplification=amplification, accepted_at=at, accepted_by=order.by, accepted_why=order.why,
        document={
            "callout": requirement.callout.text, "unit": joined.unit, "lowest": min(laboratory),
            "highest": max(laboratory), "line": dataclasses.asdict(line) | {"method": line.method.value},
            "parts": [dataclasses.asdict(each) for each in joined.pairs],
        },
    )  # fmt: skip
    text = f"{row.name} is reported as the laboratory would read it, {_THEN}: {line_text(line)}"
    return text, partial(checks.accept_correlation, row)


def _line_of(found: Correlation | NoCorrelation) -> Line:
    reason = found.reason if isinstance(found, NoCorrelation) else found.line_reason
    if isinstance(found, NoCorrelation) or found.line is None:
        raise UsageError(f"no correlation can be accepted: {reason}")
    return found.line


def _require_alike(joined: Joined, settings: Settings, amplification: float) -> None:
    """The line must hold for the values to come, so those of the study must have been measured like them."""
    if len(joined.settings) > 1 or not all(_fits(json.loads(each), settings) for each in joined.settings):
        raise UsageError("no correlation can be accepted: not all of the stored values were measured under the "
                         "settings in force; measure the parts again")
    if joined.corrections != {amplification}:
        raise UsageError(f"no correlation can be accepted: the correction {amplification:.6g} is in force, and not all "
                         "of the stored values were measured with it; measure the parts again")


def _fits(used: Mapping[str, Any] | None, settings: Settings) -> bool:
    """Whether settings of a stored result are those that are asked for now, as far as they are asked for."""
    if used is None:
        return False
    cutoff = (used.get("cutoff") or {}).get("value")
    return (
        used["standard"] == settings.standard.value
        and used["filter"] == settings.filter.value
        and used["form"] == settings.form
        and settings.cutoff_mm in {None, cutoff}
        and settings.sections in {None, used["sections"]}
    )


def undo_correlation(checks: Checks, order: Order, *, at: float) -> Intent:
    """Take back the correlation in force of one parameter; the one before, where there is one, is in force again.

    Raises
    ------
    UsageError
        Nobody is named, no reason is given, or not exactly one is meant.
    """
    _require_person(order)
    rows = [row for row in checks.correlations() if row.undone_at is None]
    in_force = newest_of_each(rows)
    fitting = [row for row in in_force if order.callout in _row_names(row)]
    if len(fitting) != 1:
        known = "; ".join(f"{row.name} ({row.correlation_id})" for row in in_force) or "none"
        what = f"{len(fitting)} correlations" if fitting else "no correlation"
        raise UsageError(f'{what} in force for "{order.callout}"; in force: {known}')
    row = fitting[0]
    undone = replace(row, undone_at=at, undone_by=order.by, undone_why=order.why)
    left = {each.name: each for each in newest_of_each([each for each in rows if each is not row])}
    before = left.get(row.name)
    then = "as the gauge reads it" if before is None else f"by the correlation before, {before.correlation_id}"
    return f"{row.name} is reported {then} again, {_THEN}", partial(checks.undo_correlation, undone)


def _row_names(row: CorrelationRow) -> tuple[str, ...]:
    callout = row.document["callout"]
    return row.correlation_id, row.name, row.characteristic, callout, f"{row.characteristic}/{callout}"


def _require_person(order: Order) -> None:
    for name, value in (("--by", order.by), ("--why", order.why)):
        if not value.strip():
            raise UsageError(f"{name} is empty; who decides, and why, is kept with the decision")


def lines_in_force(plan: StationPlan, rows: Sequence[CorrelationRow], amplification: float) -> Lines:
    """For each requirement its accepted line, or why its values do not count.

    Parameters
    ----------
    plan
        Of the station.
    rows
        The correlations in force.
    amplification
        Correction in force.
    """
    found: dict[Requirement, AcceptedLine | str] = {}
    for row in rows:
        reason, fitting = why_not(row, plan, amplification), _fitting(row, plan)
        if not fitting:
            found.update({each: reason for each in _meant(row, plan) if each not in found})
        else:
            found.update({each: reason or accepted_line(row) for each in fitting})
    return found


def why_not(row: CorrelationRow, plan: StationPlan, amplification: float) -> str:
    """Why a correlation in force cannot be applied by this station; ``""`` where it can."""
    if not _meant(row, plan):
        return f"the station file has no {row.name}"
    if not _fitting(row, plan):
        how = "with other settings"
    elif row.amplification != amplification:
        how = "with another amplification correction"
    else:
        return ""
    return (f"the correlation in force for {row.name} was made {how}; compare parts with the laboratory again, or take "
            "it back (specimen STATION.toml correlate --undo)")


def _meant(row: CorrelationRow, plan: StationPlan) -> list[Requirement]:
    return [each for each in plan.requirements
            if (each.characteristic, each.callout.parameter) == (row.characteristic, row.parameter)]


def _fitting(row: CorrelationRow, plan: StationPlan) -> list[Requirement]:
    """Requirements whose settings are those of the study."""
    return [each for each in _meant(row, plan) if settings_hash(each.settings) == row.settings_hash]


def accepted_line(row: CorrelationRow) -> AcceptedLine:
    """The line of a stored correlation."""
    values = dict(row.document["line"])
    values |= {name: tuple(value) for name, value in values.items() if isinstance(value, list)}
    line = Line(**values | {"method": Method(values["method"])})
    return AcceptedLine(correlation_id=row.correlation_id, line=line, lowest=row.document["lowest"],
                        highest=row.document["highest"])  # fmt: skip


def line_text(line: Line) -> str:
    """A line for a person."""
    return f"(in-line value {-line.intercept:+.4g}) / {line.slope:.4f}"


@cache
def settings_hash(settings: Settings) -> str:
    """SHA-256 of what differs from the defaults, so that a setting added to the program later changes nothing."""
    differing = {}
    for field in dataclasses.fields(settings):
        value = getattr(settings, field.name)
        if value != field.default:
            differing[field.name] = value.value if isinstance(value, enum.Enum) else repr(value)
    return hashlib.sha256(json.dumps(differing, sort_keys=True).encode()).hexdigest()


class LinesOfParts:
    """Keeps for each part that waits for traces the correlations with which its first one was read.

    Parameters
    ----------
    current
        Those in force now.
    is_open
        Whether a part still waits for traces.
    """

    def __init__(self, current: Callable[[], Lines], is_open: Callable[[str], bool]) -> None:
        self._current = current
        self._is_open = is_open
        self._kept: dict[str, Lines] = {}

    def of(self, part_id: str) -> Lines:
        """The correlations for the next trace of a part."""
        self._kept = {name: lines for name, lines in self._kept.items() if self._is_open(name)}
        return self._kept.setdefault(part_id, self._current())
