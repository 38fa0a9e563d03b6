"""A line through points with errors on both sides: published data, a library, resampling.

Data and results of Pearson and York are from memory (D. York, Can. J. Phys. 44 (1966) 1079, with K. Pearson's points of
1901 and York's weights; slope and intercept as quoted by York et al. (2004), table II).
"""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from scipy import stats

from crosslay.inspection.correlation import Correlation, Line, Pair, correlate
from crosslay.inspection.line_fit import FittedLine, deming, york

X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
U_X = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0]) ** -0.5
U_Y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500]) ** -0.5


def _fit(x=X, y=Y, u_x=U_X, u_y=U_Y) -> FittedLine:
    found = york(x, y, u_x, u_y)
    assert isinstance(found, FittedLine)
    return found


def test_pearsons_data_with_yorks_weights():
    found = _fit()
    assert found.slope == pytest.approx(-0.480533407446, abs=5e-11)
    assert found.intercept == pytest.approx(5.479910224, abs=5e-9)
    assert found.u_slope == pytest.approx(0.0580, abs=5e-5)
    assert found.u_intercept == pytest.approx(0.295, abs=5e-4)
    assert found.chi_square / 8 == pytest.approx(1.483, abs=5e-4)


def test_pearsons_data_without_weights():
    """Pearson's own major axis: slope −0.5456, intercept 5.7843 (1901, from memory)."""
    slope = deming(X, Y, 1.0)
    assert slope == pytest.approx(-0.5456, abs=5e-5)
    assert np.mean(Y) - slope * np.mean(X) == pytest.approx(5.784, abs=1e-3)


def _odr(x, y, u_x, u_y):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of the module, in newer scipy
        from scipy import odr

        data = odr.RealData(x, y, sx=u_x, sy=u_y)
        model = odr.Model(lambda beta, along: beta[0] + beta[1] * along)
        start = np.polyfit(x, y, 1)[::-1]
        return odr.ODR(data, model, beta0=start, sstol=1e-15, partol=1e-15, maxit=500).run()


@pytest.mark.parametrize("seed", range(6))
def test_scipy_odr_finds_the_same_line(seed):
    """ODRPACK minimises the same sum by another way."""
    rng = np.random.default_rng(seed)
    true = rng.uniform(0.4, 3.0, 14)
    u_x, u_y = rng.uniform(0.005, 0.05, (2, 14))
    x, y = true + rng.normal(0.0, u_x), 0.05 + 1.03 * true + rng.normal(0.0, u_y)
    found, other = _fit(x, y, u_x, u_y), _odr(x, y, u_x, u_y)
    # It differentiates by differences, so it ends a little beside the minimum: far less than a standard error.
    assert found.intercept == pytest.approx(other.beta[0], abs=1e-4 * found.u_intercept)
    assert found.slope == pytest.approx(other.beta[1], abs=1e-4 * found.u_slope)
    assert found.chi_square == pytest.approx(other.sum_square, rel=1e-8)
    # Its covariance is of the same first order, at the observed instead of the adjusted points.
    assert found.u_slope == pytest.approx(math.sqrt(other.cov_beta[1, 1]), rel=0.1)
    assert found.u_intercept == pytest.approx(math.sqrt(other.cov_beta[0, 0]), rel=0.1)


@pytest.mark.parametrize("ratio", [0.25, 1.0, 4.0, 100.0])
def test_deming_in_closed_form_is_york_with_equal_uncertainties(ratio):
    rng = np.random.default_rng(7)
    x = rng.uniform(1.0, 5.0, 20)
    y = 0.3 + 0.9 * x + rng.normal(0.0, 0.1, 20)
    found = _fit(x, y, np.full(20, 0.1), np.full(20, 0.1 * math.sqrt(ratio)))
    assert found.slope == pytest.approx(deming(x, y, ratio), rel=1e-11)


def test_with_errors_on_one_side_only_it_is_the_regression_of_scipy():
    """u_x → 0: ordinary least squares, whose standard errors scipy.stats.linregress gives."""
    rng = np.random.default_rng(9)
    x = rng.uniform(1.0, 5.0, 25)
    y = 0.3 + 0.9 * x + rng.normal(0.0, 0.1, 25)
    found, other = _fit(x, y, np.full(25, 1e-9), np.ones(25)), stats.linregress(x, y)
    assert (found.slope, found.intercept) == pytest.approx((other.slope, other.intercept), rel=1e-9)
    scale = math.sqrt(found.chi_square / 23)
    assert scale * found.u_slope == pytest.approx(other.stderr, rel=1e-9)
    assert scale * found.u_intercept == pytest.approx(other.intercept_stderr, rel=1e-9)


def _drawn(rng, n=14, slope=1.0, intercept=0.0, u=0.03):
    true = np.linspace(0.5, 3.0, n)
    laboratory, inline = true + rng.normal(0.0, u, n), intercept + slope * true + rng.normal(0.0, u, n)
    return laboratory, inline


def _correlate(laboratory, inline, u=None, ratio=None) -> Line:
    found = correlate(
        [
            Pair(part=str(i), inline=b, laboratory=a, u_inline=u, u_laboratory=u)
            for i, (a, b) in enumerate(zip(laboratory.tolist(), inline.tolist(), strict=True))
        ],
        variance_ratio=ratio,
    )
    assert isinstance(found, Correlation)
    assert found.line is not None, found.line_reason
    return found.line


def test_jackknife_and_bootstrap_agree_with_the_standard_errors():
    rng = np.random.default_rng(21)
    laboratory, inline = _drawn(rng, n=60, slope=1.05)
    found = _correlate(laboratory, inline, ratio=1.0)
    indices = np.arange(60)
    left_out = np.array([deming(laboratory[indices != i], inline[indices != i], 1.0) for i in range(60)])
    jackknife = math.sqrt(59 / 60 * np.sum((left_out - left_out.mean()) ** 2))
    again = [deming(laboratory[pick], inline[pick], 1.0) for pick in rng.integers(0, 60, (800, 60))]
    # A standard error from 60 points is itself known to about a tenth (1/√(2·58)); both resamplings share the points.
    assert found.u_slope == pytest.approx(jackknife, rel=0.25)
    assert found.u_slope == pytest.approx(float(np.std(again)), rel=0.25)


def test_intervals_and_tests_hold_what_they_promise():
    """1,500 drawn studies of 14 parts that agree: 95 % intervals, 5 % tests and the prediction interval."""
    rng = np.random.default_rng(22)
    runs = 1500
    slope = intercept = agreement = predicted = 0
    for _ in range(runs):
        found = _correlate(*_drawn(rng), u=None, ratio=1.0)
        slope += found.slope_interval[0] <= 1.0 <= found.slope_interval[1]
        intercept += found.intercept_interval[0] <= 0.0 <= found.intercept_interval[1]
        agreement += found.p_agreement < 0.05
        true = rng.uniform(0.5, 3.0)
        low, high = found.prediction_interval(true + rng.normal(0.0, 0.03))
        predicted += low <= true + rng.normal(0.0, 0.03) <= high
    error = 3.5 * math.sqrt(0.05 * 0.95 / runs)
    assert slope / runs == pytest.approx(0.95, abs=error)
    assert intercept / runs == pytest.approx(0.95, abs=error)
    assert agreement / runs == pytest.approx(0.05, abs=error)
    assert predicted / runs == pytest.approx(0.95, abs=error)


def test_the_joint_test_sees_what_single_ones_miss():
    """F of a linear hypothesis, computed here with the whole covariance matrix and scipy.stats."""
    found = _correlate(*_drawn(np.random.default_rng(3), slope=1.02, intercept=0.01), u=0.03)
    matrix = np.array([[found.u_slope**2, found.covariance], [found.covariance, found.u_intercept**2]])
    off = np.array([found.slope - 1.0, found.intercept])
    statistic = off @ np.linalg.inv(matrix) @ off / 2.0
    assert found.p_agreement == pytest.approx(stats.f.sf(statistic, 2, found.dof), rel=1e-9)
    assert found.p_slope_one == pytest.approx(2 * stats.t.sf(abs(off[0]) / found.u_slope, found.dof), rel=1e-9)
