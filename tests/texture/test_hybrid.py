"""Slopes and developed length: exact polynomials, closed forms of the sampled formula, the slow reference."""

from __future__ import annotations

import dataclasses
from fractions import Fraction
from itertools import pairwise

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosslay.texture.hybrid import LengthParameters, length_parameters, local_slopes, slope_parameters
from crosslay.texture.undefined import Undefined
from curve_cases import assert_close, window, windows
from reference import brute_curve

spacings = st.sampled_from([0.05, 0.25, 0.5, 1.5, 5.0])


@settings(max_examples=100, deadline=None)
@given(windows())
def test_slopes_and_lengths_agree_with_the_slow_reference(case):
    _, z, dx = case
    found, expected = slope_parameters(z, dx), brute_curve.slope_values(z.tolist(), dx)
    for name in ("dq", "da", "dt"):
        assert getattr(found, name) == pytest.approx(expected[name], rel=1e-9)
    length, expected = length_parameters(z, dx), brute_curve.length_values(z.tolist(), dx)
    assert length.dl == pytest.approx(expected["dl"], rel=1e-12)
    # The reference subtracts two nearly equal lengths; what it loses is 1e-16 of 100 %.
    assert length.dr == pytest.approx(expected["dr"], rel=1e-9, abs=1e-11)


def test_the_weights_are_those_of_the_only_exact_seven_point_formula():
    # Solve for weights that differentiate 1, x … x⁶ exactly (Vandermonde, exact fractions) and compare the response to
    # a unit sample at every place.
    n = 7
    rows = [[Fraction(k) ** power for k in range(-3, 4)] + [Fraction(int(power == 1))] for power in range(n)]
    for i in range(n):
        pivot = next(r for r in range(i, n) if rows[r][i] != 0)
        rows[i], rows[pivot] = rows[pivot], rows[i]
        rows[i] = [v / rows[i][i] for v in rows[i]]
        for r in range(n):
            if r != i:
                rows[r] = [a - rows[r][i] * b for a, b in zip(rows[r], rows[i], strict=True)]
    weights = [float(row[n]) for row in rows]
    for place in range(n):
        unit = np.zeros(n)
        unit[place] = 1.0
        assert local_slopes(unit, 1.0)[0] == pytest.approx(weights[place], rel=1e-14, abs=1e-16)


@given(st.lists(st.floats(-2.0, 2.0), min_size=7, max_size=7), spacings)
def test_polynomials_up_to_degree_six_have_their_exact_slope(coefficients, dx):
    x = np.linspace(-1.0, 1.0, 61)
    scale = dx / (x[1] - x[0])
    polynomial = np.polynomial.Polynomial(coefficients)
    expected = polynomial.deriv()(x[3:-3]) / scale
    np.testing.assert_allclose(local_slopes(polynomial(x), dx), expected, atol=1e-11 / dx)


@pytest.mark.parametrize("per_period", [8, 40, 200])
def test_a_sampled_sine_has_the_slopes_that_the_formula_gives_it(per_period):
    # The formula turns sin into cos times (45 sin θ − 9 sin 2θ + sin 3θ)/(30 Δx), θ = 2π/samples per period; over whole
    # periods the mean square of the cosine is exactly ½.
    amplitude, dx, periods = 1.7, 0.5, 6
    theta = 2.0 * np.pi / per_period
    k = np.arange(periods * per_period + 6)
    found = slope_parameters(amplitude * np.sin(theta * (k - 3)), dx)
    gain = amplitude * (45 * np.sin(theta) - 9 * np.sin(2 * theta) + np.sin(3 * theta)) / (30.0 * dx)
    assert found.dq == pytest.approx(gain / np.sqrt(2.0), rel=1e-12)
    assert found.dt == pytest.approx(gain, rel=1e-12)
    # Mean of |cos| over n equal steps, 4 a divisor of n: (2/n)·cot(π/n) in place of 2/π.
    assert found.da == pytest.approx(gain * 2.0 / per_period / np.tan(np.pi / per_period), rel=1e-12)


def test_a_ramp_has_one_slope_and_the_length_of_a_hypotenuse():
    z = 0.75 * 2.0 * np.arange(101.0)  # rises 1.5 µm every 2 µm: sides 3, 4, 5
    slopes = slope_parameters(z, 2.0)
    assert (slopes.dq, slopes.da, slopes.dt) == pytest.approx((0.75,) * 3, rel=1e-13)
    length = length_parameters(z, 2.0)
    assert length.dl == pytest.approx(0.25, rel=1e-14)
    assert length.dr == pytest.approx(25.0, rel=1e-14)


def test_a_zigzag_of_three_and_four():
    z = np.where(np.arange(1001) % 2, 4.0, 0.0)
    length = length_parameters(z, 3.0)
    assert length.dl == pytest.approx(5.0, rel=1e-14)
    assert length.dr == pytest.approx(100.0 * (5.0 / 3.0 - 1.0), rel=1e-14)


def test_the_excess_of_a_mirror_keeps_its_digits():
    z = 1e-6 * window("lapped", 400, 0.5, 11)
    with mpmath.workdps(50):
        dx = mpmath.mpf("0.5")
        steps = [mpmath.mpf(b) - mpmath.mpf(a) for a, b in pairwise(z.tolist())]
        exact = mpmath.fsum(mpmath.sqrt(dx**2 + step**2) for step in steps)
        expected = float((exact / (399 * dx) - 1) * 100)
    assert 0.0 < expected < 1e-10
    assert length_parameters(z, 0.5).dr == pytest.approx(expected, rel=1e-12)


@given(windows(), st.floats(0.01, 100.0), st.floats(-50.0, 50.0))
def test_scaling_offset_reversal_and_negation(case, factor, offset):
    _, z, dx = case
    base = dataclasses.astuple(slope_parameters(z, dx))
    top = float(np.abs(z).max())
    tolerance = 1e-12 * (factor * top + abs(offset)) / dx
    assert dataclasses.astuple(slope_parameters(factor * z + offset, dx)) == pytest.approx(
        tuple(factor * v for v in base), rel=1e-9, abs=10 * tolerance
    )
    for same in (z[::-1], -z, -z[::-1]):
        assert dataclasses.astuple(slope_parameters(same, dx)) == pytest.approx(base, rel=1e-12)
        assert dataclasses.astuple(length_parameters(same, dx)) == pytest.approx(
            dataclasses.astuple(length_parameters(z, dx)), rel=1e-12
        )
    # Heights and spacing magnified together: the same angles.
    magnified = length_parameters(factor * z, factor * dx)
    assert_close(magnified.dr, length_parameters(z, dx).dr, 0.0, 1e-9)
    assert_close(magnified.dl, factor * length_parameters(z, dx).dl, 0.0, 1e-12)


@given(windows())
def test_slopes_are_ordered_and_lengths_never_below_the_straight_line(case):
    _, z, dx = case
    found = slope_parameters(z, dx)
    assert 0.0 <= found.da <= found.dq * (1 + 1e-12) <= found.dt * (1 + 2e-12)
    length = length_parameters(z, dx)
    assert length.dr >= 0.0
    assert length.dl >= 1e-3 * (z.size - 1) * dx * (1 - 1e-15)


def test_a_flat_profile_has_no_slope_and_its_own_length():
    z = np.full(100, 2.5)
    assert dataclasses.astuple(slope_parameters(z, 0.5)) == (0.0, 0.0, 0.0)
    assert length_parameters(z, 0.5) == LengthParameters(dl=pytest.approx(0.0495, rel=1e-15), dr=0.0)


@pytest.mark.parametrize("points", range(1, 7))
def test_fewer_than_seven_samples_have_no_slope(points):
    found = slope_parameters(np.arange(float(points)), 0.5)
    assert found.dq == found.da == found.dt == Undefined(f"{points} samples; the slope formula needs 7")
    length = length_parameters(np.arange(float(points)), 1.0)
    if points == 1:
        assert length.dl == length.dr == Undefined("a length needs two samples")
    else:
        assert length.dl == pytest.approx(1e-3 * (points - 1) * np.sqrt(2.0), rel=1e-14)


def test_seven_samples_have_one_slope():
    z = np.arange(7.0) ** 2
    assert slope_parameters(z, 1.0).dt == pytest.approx(6.0, rel=1e-14)


def test_a_step_and_a_spike_have_the_formula_s_own_response():
    step = np.where(np.arange(40) < 20, 0.0, 1.0)
    # Partial sums of the weights: 1, −8, 37, 37, −8, 1 sixtieths, at six samples.
    found = slope_parameters(step, 1.0)
    assert found.dt == pytest.approx(37.0 / 60.0, rel=1e-14)
    assert found.dq == pytest.approx(np.sqrt(2 * (1 + 64 + 37**2) / 34) / 60.0, rel=1e-14)
    spike = np.zeros(40)
    spike[20] = 1.0
    found = slope_parameters(spike, 1.0)
    assert found.dt == pytest.approx(0.75, rel=1e-14)
    assert found.da == pytest.approx(2 * 55 / 60 / 34, rel=1e-14)


def test_the_profile_is_left_alone():
    z = window("turned", 500, 0.5, 3)
    kept = z.copy()
    z.flags.writeable = False
    for value in (*dataclasses.astuple(slope_parameters(z, 0.5)), *dataclasses.astuple(length_parameters(z, 0.5))):
        assert type(value) is float
    np.testing.assert_array_equal(z, kept)
