"""Reference specimens against closed forms and published data.

The step check and the shapes of ISO 5436-1 stand on the page *reference-values*, section 6 (computed); the analysis of
variance is checked against NIST StRD data.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import scipy
from scipy import stats

from crosslay.inspection.groove import Groove, groove_depth
from crosslay.inspection.reference_check import Outcome, reference_check, scatter_of
from crosslay.inspection.specimen import GrooveBottom, Specimen, SpecimenType
from crosslay.inspection.specimen_reading import Reading, read_specimen
from crosslay.texture import FilterKind, Settings, Trace


def test_the_groove_of_the_step_check_is_two_deep_exactly():
    """z = 0.3 x + 1.0 − 2.0 inside |x| < 0.5, W = 1, x in [−1.5, 1.5]: a = 0.3, d = 2.000000 (section 6, computed)."""
    x = np.arange(-1500, 1501) / 1000.0
    found = groove_depth(0.3 * x + 1.0 - 2.0 * (np.abs(x) < 0.5), 1e-3, 1.0, GrooveBottom.FLAT)
    assert isinstance(found, Groove)
    assert found.depth_um == pytest.approx(2.0, abs=1e-12)
    assert found.slope == pytest.approx(0.3, abs=1e-12)
    assert found.roughness_um < 1e-12


@pytest.mark.parametrize("depth_um", [0.38, 2.4, 2.55, 10.0])
def test_steps_of_the_sizes_of_two_comparisons(depth_um):
    """Sizes of SIM 4.8 (0.38, 2.55 µm) and APMP.L-K8 (2.4, 10 µm); the grooves themselves are made up."""
    x_um = np.arange(0, 4000.0)
    z_um = np.where(np.abs(x_um - 1900.0) < 500.0, -depth_um, 0.0) + 0.002 * x_um
    found = groove_depth(z_um, 1.0, 1000.0, GrooveBottom.FLAT)
    assert isinstance(found, Groove)
    assert found.depth_um == pytest.approx(depth_um, rel=1e-12)


UNFILTERED = Settings(cutoff_mm=0.8, filter=FilterKind.NONE, short_cutoff_um=None, form="none")


@pytest.mark.parametrize(
    ("parameter", "factor"),
    # Closed forms of the sine, type C1, amplitude A: Ra = 2A/π, Rq = A/√2, Rz = 2A, RSm = λ (ISO 5436-1; section 6).
    [("Ra", 2.0 / math.pi), ("Rq", math.sqrt(0.5)), ("Rz", 2.0)],
)
def test_a_sinusoidal_specimen_of_three_micrometres(parameter, factor):
    """Worked example of section 6: Ra 3.00 µm at λ = 100 µm has A = 4.712389 µm, Rq = 3.332162 µm, Rz = 9.424778 µm."""
    amplitude_um = 3.0 * math.pi / 2.0
    assert {"Ra": 3.0, "Rq": 3.332162, "Rz": 9.424778}[parameter] == pytest.approx(factor * amplitude_um, abs=5e-7)
    z_um = amplitude_um * np.sin(2.0 * np.pi * (np.arange(16_000) + 0.5) / 400.0)
    specimen = Specimen(
        name="sine", type=SpecimenType.C, parameter=parameter, certified=factor * amplitude_um,
        expanded_uncertainty=0.02, tolerance_percent=2.0, warn_percent=1.0, settings=UNFILTERED, pitch_mm=0.1,
    )
    found = read_specimen(Trace(samples=z_um, spacing_um=0.25), specimen)
    assert isinstance(found, Reading)
    # 400 samples to a period leave the extremes up to half a spacing away: 1 − cos(π/400) = 3.08e-5.
    assert found.value == pytest.approx(factor * amplitude_um, rel=3.1e-5)
    assert found.values["Rsm"] == pytest.approx(0.1, rel=1e-6)


def test_the_gaussian_filter_takes_its_share_of_a_sine():
    """Ra of a sine behind λc is (2A/π)(1 − 2^(−(λc/λ)²)) (section 2, computed): the certificate's conditions count."""
    amplitude_um, wave_um = 1.0, 500.0
    x_um = np.arange(0, 4800.0, 0.5)
    specimen = Specimen(
        name="sine", type=SpecimenType.C, parameter="Ra", certified=0.6, expanded_uncertainty=0.01,
        tolerance_percent=5.0, warn_percent=3.0, settings=Settings(cutoff_mm=0.8, short_cutoff_um=None, form="none"),
    )
    found = read_specimen(Trace(samples=amplitude_um * np.sin(2 * np.pi * x_um / wave_um), spacing_um=0.5), specimen)
    assert isinstance(found, Reading)
    assert found.value == pytest.approx(2.0 / math.pi * (1.0 - 2.0 ** (-((800.0 / wave_um) ** 2))), rel=1e-4)


# NIST StRD SiRstv (page reference-values, 9.3): five instruments by five readings.
SIRSTV = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]
MS_BETWEEN, MS_WITHIN = 1.27865654e-2, 1.08318280e-2


def test_scatter_within_and_between_places_against_the_certified_analysis_of_variance():
    """Certified mean squares of SiRstv, and the variance component that follows, (MSb − MSw)/5."""
    found = scatter_of(SIRSTV)
    assert found.repeatability == pytest.approx(math.sqrt(MS_WITHIN), rel=1e-9)
    assert found.repeatability == pytest.approx(1.04076068334656e-01, rel=1e-9)  # certified residual deviation
    assert found.place_scatter == pytest.approx(math.sqrt((MS_BETWEEN - MS_WITHIN) / 5.0), rel=1e-9)
    assert found.standard_uncertainty == pytest.approx(math.sqrt(MS_BETWEEN / 25.0), rel=1e-9)
    assert found.dof == pytest.approx(4.0)
    assert found.repeatability_dof == 20


def _nist_anova(name: str) -> list[list[float]]:
    path = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_anova" / f"{name}.dat"
    if not path.exists():
        pytest.skip(f"this scipy ships no NIST data ({path.name}): install one that does to run this check")
    groups: dict[str, list[float]] = {}
    for line in path.read_text("ascii").splitlines()[60:]:
        group, value = line.split()
        groups.setdefault(group, []).append(float(value))
    return list(groups.values())


@pytest.mark.parametrize(
    ("name", "residual", "between", "size", "rel"),
    # Certified residual deviation and mean square between, NIST StRD; the digits in common grow with each file.
    [("SmLs01", 0.1, 1.68 / 8, 21, 1e-9), ("SmLs04", 0.1, 1.68 / 8, 21, 1e-8), ("AtmWtAg", 1.51048314446410e-05,
     3.63834187500000e-09, 24, 1e-7)],
)
def test_badly_conditioned_readings(name, residual, between, size, rel):
    found = scatter_of(_nist_anova(name))
    assert found.repeatability == pytest.approx(residual, rel=rel)
    assert found.place_scatter == pytest.approx(math.sqrt((between - residual**2) / size), rel=rel)


def test_student_t_carries_the_few_readings():
    """Interval of a mean by scipy.stats, an independent implementation; three readings, t(2) = 4.3027."""
    values = [3.01, 2.99, 3.03]
    specimen = Specimen(
        name="plate", type=SpecimenType.D, parameter="Ra", certified=3.0, expanded_uncertainty=0.05,
        tolerance_percent=5.0, warn_percent=3.0,
    )
    found = reference_check([Reading(value=value, unit="um") for value in values], specimen)
    low, high = stats.t.interval(0.95, 2, loc=np.mean(values), scale=stats.sem(values))
    assert found.mean is not None
    assert found.expanded_uncertainty is not None
    assert found.mean - found.expanded_uncertainty == pytest.approx(low, rel=1e-12)
    assert found.mean + found.expanded_uncertainty == pytest.approx(high, rel=1e-12)
    assert found.outcome is Outcome.IN_TOLERANCE
