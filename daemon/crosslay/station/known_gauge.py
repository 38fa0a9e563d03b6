"""What is known of the gauge now: what the station file states, and the reference checks in force. Pure.

A check is in force as long as it lets parts pass (`crosslay.station.standing`): one that failed, is overdue, or was
made with another correction traces nothing. Which parameters a check counts for is said in
`crosslay.inspection.uncertainty`; what no check in force brings is taken from ``[uncertainty]`` of the station file,
and what that lacks, too, is no zero: the budget names it, and without anything that traces the scale there is none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from crosslay.inspection.gauge_quality import GaugeQuality, quality_of
from crosslay.inspection.value_budgets import KnownGauge
from crosslay.plan.load import StationPlan
from crosslay.record.checks import CheckState
from crosslay.station.specimen_check import check_of
from crosslay.station.standing import standing_of


def known_gauge(plan: StationPlan, state: CheckState | None, now: float, ages_s: Mapping[str, float]) -> KnownGauge:
    """The gauge as the station file and the checks in force describe it.

    Parameters
    ----------
    plan
        Of the station.
    state
        What the store says; None: it has not been read yet.
    now, ages_s
        As for `crosslay.station.standing.overall`.
    """
    stated = plan.known_gauge or KnownGauge(quality=GaugeQuality())
    if state is None:
        return stated
    standings = [standing_of(each, state, now, ages_s.get(each.name, 0.0)) for each in plan.specimens]
    rows = sorted(
        (each.check for each in standings if each.passes and each.check is not None), key=lambda row: row.number
    )
    quality = quality_of(
        [check_of(row) for row in rows], stated.quality, amplification=state.amplification,
        ids=[row.check_id for row in rows],
    )  # fmt: skip
    return replace(stated, quality=quality)
