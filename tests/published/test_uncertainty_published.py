"""The budget's arithmetic against worked examples of the GUM, a constructed one, and two libraries.

Numbers of the GUM (JCGM 100:2008) are from memory; the constructed example stands on the page *reference-values*,
section 7 (computed).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties
from scipy import stats

from crosslay.inspection.gauge_quality import GaugeQuality, Observed, Scale
from crosslay.inspection.uncertainty import Budget, Contribution, Distribution, Kind, budget, combine, coverage


def _line(standard, dof=math.inf, sensitivity=1.0):
    return Contribution(name="x", standard=standard, dof=dof, sensitivity=sensitivity)


def test_the_constructed_example():
    """U_ref 0.030 (k = 2), s 0.020 of n = 12, ±0.02 rectangular, noise 0.005, step 0.001: u_c 0.020414, U 0.0408."""
    lines = [
        _line(0.030 / 2), _line(0.020 / math.sqrt(12)), _line(0.02 / math.sqrt(3)), _line(0.005),
        _line(0.001 / math.sqrt(12)),
    ]
    assert [round(line.in_value, 8) for line in lines[1:3]] == [0.00577350, 0.01154701]
    standard, dof = combine(lines)
    assert standard == pytest.approx(0.020414, abs=5e-7)
    assert 2 * standard == pytest.approx(0.0408, abs=5e-5)
    assert math.isinf(dof)


def test_end_gauge_calibration():
    """GUM H.1 (nm): 25 (18), 9.7 (25.6), 2.9 (50), 16.6 (2): u_c 32, ν_eff 16.7, t99(16) 2.92, U99 93 (memory)."""
    comparison, dof = combine([_line(5.8, 24), _line(3.9, 5), _line(6.7, 8)])
    assert comparison == pytest.approx(9.7, abs=0.05)
    assert dof == pytest.approx(25.6, abs=0.3)  # the printed components are rounded
    standard, dof = combine([_line(25.0, 18), _line(9.7, 25.6), _line(2.9, 50), _line(16.6, 2)])
    assert round(standard) == 32
    assert dof == pytest.approx(16.7, abs=0.1)  # 16.6 is printed to 0.05: 1.2 % of its fourth power, 0.1 of ν
    assert coverage(16, 0.99) == pytest.approx(2.92, abs=5e-3)
    assert round(coverage(dof, 0.99) * 32) == 93


def test_product_of_three_inputs():
    """GUM G.4.1, example, %: 0.25 (9), 0.57 (4), 0.82 (14): u_c 1.03, ν_eff 19.0, t95 2.09 (from memory)."""
    standard, dof = combine([_line(0.25, 9), _line(0.57, 4), _line(0.82, 14)])
    assert standard == pytest.approx(1.03, abs=5e-3)
    assert dof == pytest.approx(19.0, abs=0.05)
    assert coverage(dof) == pytest.approx(2.09, abs=5e-3)


@pytest.mark.parametrize(
    ("dof", "factor"),
    # GUM table G.2, column 95 % (memory).
    [(1, 12.71), (2, 4.30), (3, 3.18), (4, 2.78), (5, 2.57), (10, 2.23), (20, 2.09), (50, 2.01), (math.inf, 1.96)],
)
def test_coverage_factors(dof, factor):
    assert coverage(dof) == pytest.approx(factor, abs=5e-3)
    library = stats.norm.ppf(0.975) if math.isinf(dof) else stats.t.ppf(0.975, dof)
    assert coverage(dof) == pytest.approx(library, rel=1e-9)


def test_below_one_degree_of_freedom_there_is_no_smaller_table():
    assert coverage(0.3) == coverage(1.0)
    assert coverage(18.999) == pytest.approx(coverage(19.0), rel=1e-4)


QUALITY = GaugeQuality(
    heights=Scale(
        certificate_percent=1.0, source="a certificate", check_percent=0.4, check_dof=400.0,
        repeatability_percent=0.8, repeatability_dof=400.0, bias_percent=1.2,
    ),
    noise_rq0_um=0.05, linearity_percent=0.5, resolution_um=0.01, cutoff_percent=2.0, speed_percent=1.0,
)
OBSERVED = Observed(sections=(0.81, 0.79, 0.80, 0.83, 0.77), cutoff_sensitivity=0.4, tip_effect=0.012)


def _budget(observed=OBSERVED, quality=QUALITY) -> Budget:
    found = budget("Ra", 0.8, quality, observed=observed)
    assert isinstance(found, Budget)
    return found


def test_the_propagation_by_automatic_differentiation():
    """The model y = x(1 + Σδ) + Σe by the library `uncertainties`, which differentiates it itself."""
    found = _budget()
    x, root3 = 0.8, math.sqrt(3.0)
    relative = [
        uncertainties.ufloat(0.0, u)
        for u in (0.010, 0.004, 0.008, 0.012 / root3, 0.005 / root3, 0.4 * 0.02 / root3, 0.4 * 0.01 / root3)
    ]
    noise = 0.05 * math.sqrt(2.0 / math.pi)
    bias = x - math.sqrt(x * x - noise * noise)
    scatter = np.std(OBSERVED.sections, ddof=1) / math.sqrt(5)
    absolute = [uncertainties.ufloat(0.0, u) for u in (bias / root3, 0.005 / root3, 0.012 / root3, scatter)]
    y = x * (1.0 + sum(relative)) + sum(absolute)
    assert found.standard == pytest.approx(y.std_dev, rel=1e-12)
    components = sorted(abs(u) for u in y.error_components().values())
    assert components == pytest.approx(sorted(item.in_value for item in found.contributions), rel=1e-12)
    assert sum(item.share for item in found.contributions) == pytest.approx(1.0)


def _simulated(found: Budget, draws: int, seed: int) -> np.ndarray:
    """JCGM 101: values drawn from the distribution that each line names; lines with few readings from a scaled t."""
    rng = np.random.default_rng(seed)
    total = np.full(draws, found.value)
    for item in found.contributions:
        if item.distribution is Distribution.RECTANGULAR:
            drawn = rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), draws)
        elif item.distribution is Distribution.STUDENT:
            drawn = rng.standard_t(item.dof, draws)  # JCGM 101, 6.4.9
        else:
            drawn = rng.normal(size=draws)
        total += item.sensitivity * item.standard * drawn
    return total


def test_monte_carlo_with_many_readings():
    found = _budget(Observed(traces=tuple(np.linspace(0.7, 0.9, 300)), cutoff_sensitivity=0.4, tip_effect=0.012))
    values = _simulated(found, 400_000, 1)
    assert np.std(values) == pytest.approx(found.standard, rel=0.01)
    low, high = np.quantile(values, [0.025, 0.975])
    assert (high - low) / 2 == pytest.approx(found.expanded, rel=0.02)


def test_few_readings_cover_the_true_value_as_often_as_stated():
    """Many measurements with five sections each, Welch-Satterthwaite's claim: U covers the error in 95 of 100.

    JCGM 101 would draw the sections from a scaled t with four degrees of freedom, whose variance is twice s²/n; its
    interval is wider than the GUM's, so the GUM is checked by what it promises.
    """
    rng = np.random.default_rng(2)
    quality = GaugeQuality(heights=Scale.stated(2.0))
    covered, runs = 0, 3000
    for _ in range(runs):
        sections = rng.normal(0.8, 0.03, 5)
        error = float(np.mean(sections)) * rng.normal(0.0, 0.01) + float(np.mean(sections)) - 0.8
        found = budget("Ra", float(np.mean(sections)), quality, observed=Observed(sections=tuple(sections)))
        assert isinstance(found, Budget)
        covered += abs(error) <= found.expanded
    assert covered / runs == pytest.approx(0.95, abs=0.015)


def test_noise_adds_in_quadrature_to_ra():
    """Ra of a normal texture with normal noise, drawn; the stated bias is Ra0²/(2Ra) to first order (section 7)."""
    rng = np.random.default_rng(3)
    texture, noise = rng.normal(0.0, 1.0, 2_000_000), rng.normal(0.0, 0.2, 2_000_000)
    measured = float(np.mean(np.abs(texture + noise)))
    found = budget("Ra", measured, GaugeQuality(heights=Scale.stated(2.0), noise_rq0_um=0.2))
    assert isinstance(found, Budget)
    assert found.noise_bias is not None
    assert measured - found.noise_bias == pytest.approx(float(np.mean(np.abs(texture))), rel=2e-4)
    ra0 = 0.2 * math.sqrt(2 / math.pi)
    assert found.noise_bias == pytest.approx(ra0**2 / (2 * measured), rel=0.02)


def test_the_range_of_the_noise():
    """Mean range of 500 normal values over their standard deviation (d2 of control charts), drawn; 6 is used."""
    ranges = np.ptp(np.random.default_rng(4).normal(size=(4000, 500)), axis=1)
    assert np.mean(ranges) == pytest.approx(6.0, abs=0.1)


def test_a_type_a_line_is_marked_so():
    kinds = {item.name: item.kind for item in _budget().contributions}
    assert kinds["scatter on the part (5 sections)"] is Kind.A
    assert kinds["linearity"] is Kind.B
