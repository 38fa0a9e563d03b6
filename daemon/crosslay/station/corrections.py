"""Amplification corrections: proposed by a check, put in force and taken back by a person."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

from crosslay.errors import UsageError
from crosslay.inspection.correction import NoCorrection
from crosslay.plan.specimens import Registered
from crosslay.record.check_rows import CommandRow, CorrectionRow
from crosslay.record.checks import Checks
from crosslay.record.identity import new_result_id
from crosslay.station.orders import Order
from crosslay.station.specimen_check import proposal

#: What is done, in words, and the act itself: one transaction with the command that asked for it.
Intent = tuple[str, Callable[[CommandRow], None]]
_THEN = "no part passes until the specimens are checked with it"


def accept_correction(checks: Checks, order: Order, *, specimens: Mapping[str, Registered], at: float) -> Intent:
    """Put the correction of a check in force.

    Raises
    ------
    UsageError
        Nobody is named, no reason is given, or that check leads to no correction.
    """
    _require_person(order)
    found = checks.with_id(order.check_id)
    if len(found) != 1:
        said = f'{len(found)} checks have "{order.check_id}" in their id' if found else f'no check "{order.check_id}"'
        raise UsageError(f"{said}; give the id as `specimen STATION.toml history NAME` shows it")
    row = found[0]
    specimen = specimens.get(row.specimen)
    if specimen is None:
        raise UsageError(f"specimen {row.specimen} of that check is not registered any more")
    if checks.newest_usable(row.specimen) != row:
        raise UsageError(f"specimen {row.specimen} was checked again since; a correction follows from the newest check")
    in_force = _in_force(checks.corrections())
    if row.amplification != in_force:
        raise UsageError(
            f"that check was made with the correction {row.amplification:.6g}, and {in_force:.6g} is in force now; "
            "check the specimen again"
        )
    proposed = proposal(specimen, row, order.noise_rq0_um)
    if isinstance(proposed, NoCorrection):
        raise UsageError(f"no correction follows from that check: {proposed.reason}")
    correction = CorrectionRow(
        correction_id=str(new_result_id(at)), check_id=row.check_id, specimen=row.specimen,
        amplification=proposed.factor, accepted_at=at, accepted_by=order.by, accepted_why=order.why,
    )  # fmt: skip
    text = f"the correction {proposed.factor:.6g} is in force instead of {in_force:.6g}; {_THEN}"
    return text, partial(checks.accept, correction)


def undo_correction(checks: Checks, order: Order, *, at: float) -> Intent:
    """Take back the correction in force; the one before is in force again.

    Raises
    ------
    UsageError
        Nobody is named, no reason is given, or no correction is in force.
    """
    _require_person(order)
    rows = checks.corrections()
    if not rows:
        raise UsageError("no correction is in force, so none can be undone")
    undone = replace(rows[-1], undone_at=at, undone_by=order.by, undone_why=order.why)
    before = _in_force(rows[:-1])
    text = f"the correction {undone.amplification:.6g} is taken back, {before:.6g} is in force again; {_THEN}"
    return text, partial(checks.undo, undone)


def _in_force(rows: list[CorrectionRow]) -> float:
    return rows[-1].amplification if rows else 1.0


def _require_person(order: Order) -> None:
    for name, value in (("--by", order.by), ("--why", order.why)):
        if not value.strip():
            raise UsageError(f"{name} is empty; a correction needs to say who changes it, and why")
