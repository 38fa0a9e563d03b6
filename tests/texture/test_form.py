"""Form removal: closed forms, a second implementation, properties, degenerate input."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosslay.errors import SettingsError, TraceError
from crosslay.texture.form import Form, FormKind, parse_form, remove_form, subtract_line
from synthetic_surfaces import SURFACES, surface


@pytest.mark.parametrize(
    ("text", "form"),
    [
        ("none", Form(FormKind.NONE)),
        ("line", Form(FormKind.LINE, 1)),
        ("polynomial:2", Form(FormKind.POLYNOMIAL, 2)),
        ("polynomial:12", Form(FormKind.POLYNOMIAL, 12)),
        ("arc", Form(FormKind.ARC)),
    ],
)
def test_forms_are_read(text, form):
    assert parse_form(text) == form


@pytest.mark.parametrize(
    "text",
    ["", "Line", "polynomial", "polynomial:", "polynomial:13", "polynomial:-1", "polynomial:²", "polynomial:2.0"],
)
def test_other_forms_are_refused_with_what_exists(text):
    with pytest.raises(SettingsError, match=r"none, line, polynomial:K .* or arc"):
        parse_form(text)


def test_none_leaves_the_heights_alone():
    z = np.array([1.0, 5.0, 2.0])
    assert remove_form(z, 0.5, parse_form("none")) is z


def test_line_by_hand():
    """Least squares through (0, 0), (1, 0), (2, 3): z = −0.5 + 1.5 x."""
    assert remove_form(np.array([0.0, 0.0, 3.0]), 1.0, parse_form("line")) == pytest.approx([0.5, -1.0, 0.5])


@settings(max_examples=40, deadline=None)
@given(
    name=st.sampled_from(sorted(SURFACES)),
    points=st.integers(20, 900),
    tilt=st.floats(-0.2, 0.2),
    offset=st.floats(-1e4, 1e4),
    degree=st.integers(1, 12),
    seed=st.integers(0, 2**32 - 1),
)
def test_polynomials_agree_with_a_householder_fit(name, points, tilt, offset, degree, seed):
    """Second implementation: QR of a Legendre Vandermonde matrix (numpy.linalg.lstsq)."""
    z = surface(name, points, 0.5, seed) + tilt * np.arange(points) + offset
    basis = np.polynomial.legendre.legvander(np.linspace(-1, 1, points), degree)
    expected = z - basis @ np.linalg.lstsq(basis, z, rcond=None)[0]
    form = Form(FormKind.LINE, 1) if degree == 1 else Form(FormKind.POLYNOMIAL, degree)
    scale = np.abs(z).max()
    assert np.abs(remove_form(z, 0.5, form) - expected).max() <= 1e-12 * scale


def test_degree_12_to_50_digits():
    """Normal equations solved with mpmath at 50 digits on 40 points."""
    rng = np.random.default_rng(12)
    points = 40
    z = rng.standard_normal(points) + 1e3
    with mpmath.workdps(50):
        t = [mpmath.mpf(2 * i) / (points - 1) - 1 for i in range(points)]
        rows = mpmath.matrix([[ti**k for k in range(13)] for ti in t])
        heights = mpmath.matrix([mpmath.mpf(float(v)) for v in z])
        fitted = rows * mpmath.lu_solve(rows.T * rows, rows.T * heights)
        expected = np.array([float(heights[i] - fitted[i]) for i in range(points)])
    assert remove_form(z, 0.5, parse_form("polynomial:12")) == pytest.approx(expected, abs=1e-11)


@pytest.mark.parametrize("degree", [0, 1, 2, 5, 12])
def test_a_polynomial_of_the_degree_itself_vanishes(degree):
    t = np.linspace(-1, 1, 2001)
    z = 50.0 * np.polynomial.chebyshev.chebval(t, np.ones(degree + 1))
    assert np.abs(remove_form(z, 0.5, Form(FormKind.POLYNOMIAL, degree))).max() < 1e-11


def test_a_polynomial_through_as_many_points_as_it_has_coefficients_leaves_nothing():
    z = np.random.default_rng(1).standard_normal(13)
    assert np.abs(remove_form(z, 0.5, parse_form("polynomial:12"))).max() < 1e-12


@pytest.mark.parametrize("radius_um", [3e3, 1e4, -2e4, 1e6])
@pytest.mark.parametrize("tilt", [0.0, 0.3])
def test_an_exact_arc_vanishes(radius_um, tilt):
    """Circle through the origin with the slope `tilt` there; |radius| > half the length of 4 mm."""
    x = (np.arange(8001) - 4000) * 0.5
    sine = tilt / np.hypot(1.0, tilt)
    local = x / radius_um + sine
    z = radius_um * (np.sqrt(1 - sine**2) - np.sqrt(1 - local**2))
    keep = np.abs(local) < 0.95
    first, stop = np.flatnonzero(keep)[[0, -1]]
    z = z[first : stop + 1] + 17.0
    residual = remove_form(z, 0.5, parse_form("arc"))
    assert np.abs(residual).max() < 1e-9


def test_arc_with_roughness_is_the_stationary_point_of_the_vertical_squares():
    """Checked from outside the solver: no circle near the found one has a smaller sum of squared residuals."""
    scipy_optimize = pytest.importorskip("scipy.optimize")
    x = (np.arange(2001) - 1000) * 2.0
    rough = surface("turned", 2001, 2.0, 3)
    z = 5000.0 - np.sqrt(5000.0**2 - (x - 40.0) ** 2) + rough
    residual = remove_form(z, 2.0, parse_form("arc"))

    def by_circle(p):
        centre_x, centre_z, radius = p * 1000.0
        return z - (centre_z - np.sqrt(radius**2 - (x - centre_x) ** 2))

    best = scipy_optimize.least_squares(by_circle, [0.04, 5.0, 5.0], xtol=1e-15, ftol=1e-15, gtol=1e-15, x_scale="jac")
    assert residual @ residual <= 2 * best.cost * (1 + 1e-9)
    assert np.abs(residual - best.fun).max() < 1e-5


@pytest.mark.parametrize("form", ["line", "polynomial:4", "arc"])
def test_a_straight_trace_vanishes_under_every_form(form):
    z = 0.01 * np.arange(3000) - 7.0
    assert np.abs(remove_form(z, 0.5, parse_form(form))).max() < 1e-10


@pytest.mark.parametrize("form", ["line", "polynomial:4"])
def test_removing_twice_changes_nothing_and_reversal_commutes(form):
    z = surface("milled", 1500, 0.5, 8) + 0.02 * np.arange(1500)
    once = remove_form(z, 0.5, parse_form(form))
    assert remove_form(once, 0.5, parse_form(form)) == pytest.approx(once, abs=1e-12)
    assert remove_form(z[::-1].copy(), 0.5, parse_form(form))[::-1] == pytest.approx(once, abs=1e-11)


def test_the_input_is_not_changed():
    z = surface("ground", 300, 0.5, 8)
    before = z.copy()
    for form in ("line", "polynomial:3", "arc"):
        remove_form(z, 0.5, parse_form(form))
    assert np.array_equal(z, before)


def test_too_few_points_are_refused():
    with pytest.raises(TraceError, match="3 points cannot carry the form polynomial"):
        remove_form(np.zeros(3), 1.0, parse_form("polynomial:3"))
    with pytest.raises(TraceError, match="2 points cannot carry the form arc"):
        remove_form(np.zeros(2), 1.0, parse_form("arc"))


def test_a_single_point_becomes_zero():
    assert subtract_line(np.array([5.0])) == pytest.approx([0.0])
