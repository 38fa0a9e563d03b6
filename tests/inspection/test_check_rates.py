"""How often a reference check finds what no trace of a part can show: a wrong amplitude and a worn tip.

Specimens and gauges are invented; limits are those of the README's example (tolerance 5 %, warning at 3 %) and, for the
tip, half the stated radius. Three traces make a check.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from campaign_counts import campaign_count
from crosslay.inspection.reference_check import Outcome, reference_check
from crosslay.inspection.specimen import Specimen, SpecimenType
from crosslay.inspection.specimen_reading import read_specimen
from crosslay.texture.filters.morphological import dilation
from crosslay.texture.settings import Settings
from crosslay.texture.trace import Trace

Heights = NDArray[np.float64]

CHECKS = campaign_count("CROSSLAY_PLAUSIBILITY_TRACES", short=12, full=300)
TRACES = 3
#: Sine of 1 µm amplitude and 0.1 mm period (type C1): Ra = 2A/π, within the band λs 2.5 µm to λc 0.8 mm to 0.04 %.
SINE = Specimen(
    name="roughness", type=SpecimenType.C, parameter="Ra", certified=2.0 / math.pi, expanded_uncertainty=0.012,
    tolerance_percent=5.0, warn_percent=3.0, pitch_mm=0.1, settings=Settings(cutoff_mm=0.8),
)
WIDTHS_UM = (3.0, 2.0, 1.5)
TIP_SPACING_UM = 0.05
GROOVES = Specimen(
    name="tip", type=SpecimenType.B, parameter="rtip", certified=2.0, expanded_uncertainty=0.1, tolerance_percent=50.0,
    warn_percent=25.0, narrow_widths_um=WIDTHS_UM, cone_angle_deg=60.0, narrow_depth_um=20.0,
)


def sine_trace(gain: float, rng: np.random.Generator) -> Trace:
    """A traverse with tilt, waviness and noise, the gauge's amplification off by a factor."""
    x_mm = np.arange(9601) * 0.5e-3
    heights = np.sin(2 * np.pi * (x_mm / 0.1 + rng.uniform()))
    heights += 0.2 * np.sin(2 * np.pi * (x_mm / rng.uniform(2.0, 8.0) + rng.uniform())) + rng.uniform(-3, 3) * x_mm
    heights += 0.02 * rng.standard_normal(x_mm.size)
    return Trace(samples=gain * heights, spacing_um=0.5)


def traced_grooves(radius_um: float) -> Heights:
    """What a ball of that radius does of the narrow grooves: dilation with a disk (ISO 16610-41)."""
    x_um = np.arange(0.0, 60.0 * (len(WIDTHS_UM) + 1), TIP_SPACING_UM)
    surface = np.zeros(x_um.size)
    for index, width_um in enumerate(WIDTHS_UM):
        surface[np.abs(x_um - 60.0 * (index + 1)) < width_um / 2.0 - 1e-9] = -20.0
    return dilation(surface, TIP_SPACING_UM, radius_um)


def groove_trace(path: Heights, rng: np.random.Generator) -> Trace:
    heights = path + 0.002 * rng.standard_normal(path.size) + rng.uniform(-2e-4, 2e-4) * np.arange(path.size)
    return Trace(samples=heights[:: int(rng.choice((-1, 1)))].copy(), spacing_um=TIP_SPACING_UM)


@pytest.mark.campaign
@pytest.mark.timeout(1500)
@pytest.mark.parametrize(("gain", "is_good"), [(1.0, True), (1.05, False), (0.95, False), (1.08, False)])
def test_an_amplitude_error_of_five_percent_is_found(gain: float, is_good: bool) -> None:
    rng = np.random.default_rng([71, round(1000 * gain)])
    outcomes = []
    for _ in range(CHECKS):
        readings = [read_specimen(sine_trace(gain, rng), SINE) for _ in range(TRACES)]
        outcomes.append(reference_check(readings, SINE).outcome)
    found = sum(each in {Outcome.WARNING, Outcome.OUT_OF_TOLERANCE} for each in outcomes)
    assert found == 0 if is_good else found >= 0.95 * CHECKS
    if gain == 1.08:
        assert outcomes.count(Outcome.OUT_OF_TOLERANCE) >= 0.95 * CHECKS


@pytest.mark.campaign
@pytest.mark.timeout(1500)
@pytest.mark.parametrize(("radius_um", "is_good"), [(2.0, True), (3.5, False), (5.0, False), (22.0, False)])
def test_a_worn_tip_is_found(radius_um: float, is_good: bool) -> None:
    """A tip so worn that it no longer enters the grooves leaves nothing to read, and nothing passes either."""
    rng = np.random.default_rng([72, round(10 * radius_um)])
    path = traced_grooves(radius_um)
    outcomes = []
    for _ in range(CHECKS):
        readings = [read_specimen(groove_trace(path, rng), GROOVES) for _ in range(TRACES)]
        outcomes.append(reference_check(readings, GROOVES).outcome)
    if is_good:
        assert set(outcomes) == {Outcome.IN_TOLERANCE}
    else:
        stopped = sum(each in {Outcome.OUT_OF_TOLERANCE, Outcome.NOT_USABLE} for each in outcomes)
        assert stopped >= 0.95 * CHECKS
