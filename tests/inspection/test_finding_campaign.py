"""Every finding at the strength aimed at, on every kind of surface, and none on clean traces.

Short in every run; 3,000 clean and 300 traces for each fault and kind with CROSSLAY_CAMPAIGN=1.
"""

from __future__ import annotations

import math

import pytest

from campaign_counts import campaign_count
from crosslay.texture.trace import Severity
from finding_campaign import Case, alarms, cases, share_found

CLEAN = campaign_count("CROSSLAY_CLEAN_TRACES", short=60, full=3000)
EACH = campaign_count("CROSSLAY_PLAUSIBILITY_TRACES", short=3, full=300)
AIMED = [case for case in cases() if case.aim is not None]


@pytest.mark.campaign
@pytest.mark.timeout(3000)
def test_clean_traces_raise_no_alarm():
    raised = alarms(range(CLEAN))
    assert {key: times for key, times in raised.items() if key[2] is Severity.INVALID} == {}
    warnings = sum(raised.values())
    assert warnings <= max(1, 0.01 * CLEAN), raised


@pytest.mark.campaign
@pytest.mark.timeout(3000)
@pytest.mark.parametrize("case", AIMED, ids=lambda case: f"{case.finding}: {case.fault}")
def test_faults_are_found(case: Case):
    for kind in case.kinds:
        least = case.least(kind)
        # A share of a few traces scatters: three deviations of the binomial are allowed.
        slack = 3.0 * math.sqrt(least * (1.0 - least) / EACH)
        assert share_found(case, kind, EACH) >= least - slack, kind
