"""Between the pure computation of a reference check and the rows of the store; used by the daemon and offline."""

from __future__ import annotations

import dataclasses
import uuid
from collections.abc import Sequence
from typing import Any

from crosslay.inspection.check_chart import Signal, Standing, check_chart
from crosslay.inspection.correction import Correction, NoCorrection, propose_correction
from crosslay.inspection.reference_check import Outcome, ReferenceCheck, reference_check
from crosslay.inspection.specimen_reading import Unread, read_specimen
from crosslay.plan.specimens import Registered
from crosslay.record.check_rows import NOT_USABLE, CheckRow, ReadingRow
from crosslay.record.checks import Reading
from crosslay.record.identity import new_result_id
from crosslay.record.traces import pack
from crosslay.texture.trace import Trace


def corrected(trace: Trace, amplification: float) -> Trace:
    """The trace with a correction in its calibration, so that its stored container carries it."""
    if amplification == 1.0:
        return trace
    own = trace.calibration
    return dataclasses.replace(
        trace, calibration=dataclasses.replace(own, amplification=own.amplification * amplification)
    )


def reading_of(
    specimen: Registered, trace: Trace, *, amplification: float, taken_at: float, delivery: uuid.UUID | None
) -> Reading:
    """What a trace, corrected already, reads on a specimen; a trace that reads nothing says why.

    Parameters
    ----------
    specimen, trace
        What was traced, and the trace.
    amplification
        Correction that is in it.
    taken_at
        Seconds since the epoch.
    delivery
        UUIDv5 of the trace's own identity, None where it has none.
    """
    read = read_specimen(trace, specimen.specimen)
    unread = isinstance(read, Unread)
    return Reading(
        specimen=specimen.name,
        taken_at=taken_at,
        value=None if isinstance(read, Unread) else read.value,
        reason=read.reason if unread else "",  # type: ignore[union-attr]
        amplification=amplification,
        packed=pack(trace),
        delivery_id=delivery,
    )


def concluded_row(
    specimen: Registered, rows: Sequence[ReadingRow], *, finished_at: float, synchronized: bool
) -> CheckRow:
    """The check that stored readings make, computed from their raw traces.

    Raises
    ------
    StoreError
        A raw trace is damaged or no longer stored.
    """
    check = reference_check([read_specimen(row.trace(), specimen.specimen) for row in rows], specimen.specimen)
    document = _document(check) | {
        "text": f"specimen {specimen.name}: {check.text}",
        "certificate": specimen.specimen.certificate,
        "readings": [row.value for row in rows],
        "sha256": [row.sha256.hex() for row in rows],
    }
    return CheckRow(
        check_id=str(new_result_id(finished_at)),
        specimen=specimen.name,
        specimen_hash=specimen.digest,
        finished_at=finished_at,
        clock_synchronized=synchronized,
        outcome=check.outcome.value,
        amplification=rows[0].amplification,
        document=document,
    )


def charted(rows: Sequence[CheckRow]) -> list[CheckRow]:
    """The checks that one chart shows, oldest first: usable ones since the last change of correction or certificate."""
    usable = [row for row in rows if row.outcome != NOT_USABLE]
    for place in range(len(usable) - 1, 0, -1):
        before, after = usable[place - 1], usable[place]
        if (before.amplification, before.specimen_hash) != (after.amplification, after.specimen_hash):
            return usable[place:]
    return usable


def deviation_percent(row: CheckRow) -> float:
    """How far a usable check lay from the certified value, %."""
    return float(row.document["deviation_percent"])


def signals_of(rows: Sequence[CheckRow]) -> tuple[Signal, ...]:
    """Runs and trends among the checks of one chart."""
    return check_chart([deviation_percent(row) for row in charted(rows)])


def current_signals(specimen: Registered, rows: Sequence[CheckRow]) -> list[str]:
    """Runs and trends that hold at the newest check, in words."""
    return [
        f"specimen {specimen.name}: {signal.text}" for signal in signals_of(rows) if signal.standing is Standing.CURRENT
    ]


def proposal(specimen: Registered, row: CheckRow, noise_rq0_um: float | None = None) -> Correction | NoCorrection:
    """The correction that a stored check leads to.

    Parameters
    ----------
    specimen, row
        The specimen and the check.
    noise_rq0_um
        Noise of the gauge, µm, where it is not that of the station file.
    """
    noise = specimen.noise_rq0_um if noise_rq0_um is None else noise_rq0_um
    if row.specimen_hash != specimen.digest:
        return NoCorrection(reason="the specimen's entry in the station file changed after that check; check it again")
    return propose_correction(check_of(row), specimen.specimen, noise_rq0_um=noise)


def _document(check: ReferenceCheck) -> dict[str, Any]:
    values = dataclasses.asdict(check)
    return {**values, "outcome": check.outcome.value, "unread": list(check.unread)}


def check_of(row: CheckRow) -> ReferenceCheck:
    """The check as it was computed; the correction in force then, without what the gauge's own calibration holds."""
    names = {each.name for each in dataclasses.fields(ReferenceCheck)}
    values = {name: value for name, value in row.document.items() if name in names}
    values |= {"outcome": Outcome(row.outcome), "unread": tuple(row.document["unread"])}
    return ReferenceCheck(**values | {"amplification": row.amplification})
