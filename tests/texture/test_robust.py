"""Robust regression filter: 50 digits, a slow definition, what it must keep and what it must ignore."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosslay.errors import SettingsError, TraceError
from crosslay.texture.filters import local_parabola, robust
from crosslay.texture.filters.local_parabola import GAMMA, LocalParabola
from crosslay.texture.filters.robust import mean_line
from synthetic_surfaces import SURFACES, surface


def _slow(z, spacing_um, cutoff_mm, rounds=100):
    """The definition of page *texture* by numpy.linalg.lstsq, one fit per point, of the degree that samples allow."""
    x = np.arange(z.size) * spacing_um
    cutoff_um = 1000 * cutoff_mm
    # Nothing but a fit of lower degree, where samples are short, sees that the trace's parabola is taken off.
    parabola = np.polyval(np.polyfit(x, z, 2), x)
    z = z - parabola

    def fit(weights, before):
        line = before.copy()
        for i in range(z.size):
            near = (np.abs(x - x[i]) <= 1.5 * cutoff_um * (1 + 1e-12)) & (weights > 0)
            if not near.any():
                continue
            u = (x[near] - x[i]) / cutoff_um
            root = np.sqrt(np.exp(-np.pi * (u / GAMMA) ** 2) * weights[near])
            columns = np.stack([root * u**power for power in range(min(3, near.sum()))], axis=1)
            # Scaled rows and no cut among the singular values: a faint weight is still a weight.
            line[i] = np.linalg.lstsq(columns / root.max(), root * z[near] / root.max(), rcond=0)[0][0]
        return line

    line = fit(np.ones(z.size), z)
    limit = 4.4478 * np.median(np.abs(z - line))
    for _ in range(rounds):
        r = np.abs(z - line) / limit
        line = fit(np.where(r < 1, (1 - r**2) ** 2, 0), line)
        before, limit = limit, 4.4478 * np.median(np.abs(z - line))
        if abs(limit - before) < 1e-5 * before:
            break
    return line + parabola


def _fifty_digits(z, spacing_um, cutoff_mm):
    """The same definition with mpmath: normal equations solved at 50 digits."""
    points = len(z)
    z = [mpmath.mpf(float(value)) for value in z]
    gamma = mpmath.sqrt((-1 - mpmath.lambertw(-1 / (2 * mpmath.e), -1)) / mpmath.pi)
    step = mpmath.mpf(spacing_um) / (1000 * mpmath.mpf(cutoff_mm))
    reach = int(mpmath.floor(mpmath.mpf("1.5") / step))
    kernel = [mpmath.exp(-mpmath.pi * (m * step / gamma) ** 2) for m in range(reach + 1)]

    def fit(weights):
        line = []
        for i in range(points):
            near = range(max(0, i - reach), min(points, i + reach + 1))
            terms = [(kernel[abs(j - i)] * weights[j], (j - i) * step, z[j]) for j in near]
            matrix = mpmath.matrix(3, 3)
            side = mpmath.matrix(3, 1)
            for row in range(3):
                side[row] = mpmath.fsum(w * u**row * height for w, u, height in terms)
                for column in range(3):
                    matrix[row, column] = mpmath.fsum(w * u ** (row + column) for w, u, _ in terms)
            line.append(mpmath.lu_solve(matrix, side)[0])
        return line

    def limit_of(line):
        residual = sorted(abs(a - b) for a, b in zip(z, line, strict=True))
        half = points // 2
        middle = residual[half] if points % 2 else (residual[half - 1] + residual[half]) / 2
        return mpmath.mpf("4.4478") * middle

    line = fit([mpmath.mpf(1)] * points)
    limit = limit_of(line)
    for _ in range(100):
        ratios = [abs(a - b) / limit for a, b in zip(z, line, strict=True)]
        line = fit([(1 - r**2) ** 2 if r < 1 else mpmath.mpf(0) for r in ratios])
        before, limit = limit, limit_of(line)
        if abs(limit - before) < mpmath.mpf("1e-5") * before:
            break
    return np.array([float(value) for value in line])


def test_gamma_is_the_constant_of_the_standard():
    # ISO 16610-31: γ = sqrt((−1 − W₋₁(−1/(2e)))/π); 0.7309134281 from memory, computed with mpmath
    with mpmath.workdps(50):
        gamma = mpmath.sqrt((-1 - mpmath.lambertw(-1 / (2 * mpmath.e), -1)) / mpmath.pi)
        u = mpmath.pi * gamma**2
        assert abs(mpmath.exp(-u) * (1 + u) - mpmath.mpf(1) / 2) < mpmath.mpf(10) ** -45
        assert float(gamma) == GAMMA


def test_tukeys_factor_is_three_standard_deviations_of_normal_residuals():
    # 3/Φ⁻¹(0.75) = 4.447806655…; the page *texture* prints 4.4478
    with mpmath.workdps(30):
        factor = 3 / (mpmath.sqrt(2) * mpmath.erfinv(mpmath.mpf("0.5")))
    assert abs(robust.TUKEY_FACTOR - float(factor)) < 1e-5


@pytest.mark.parametrize("seed", [0, 1])
def test_agrees_with_fifty_digits(seed):
    rng = np.random.default_rng(seed)
    z = rng.normal(0, 0.3, 41) + 0.002 * (np.arange(41) - 12.0) ** 2
    z[10:13] -= 6.0
    z[30] += 15.0
    with mpmath.workdps(50):
        expected = _fifty_digits(z, 0.5, 0.005)
    np.testing.assert_allclose(mean_line(z, 0.5, 0.005), expected, rtol=0, atol=1e-11)


@settings(max_examples=20, deadline=None)
@given(
    name=st.sampled_from(sorted(set(SURFACES) - {"specimen"})),
    points=st.integers(60, 260),
    cutoff_mm=st.sampled_from([0.008, 0.025, 0.08]),
    spacing_um=st.sampled_from([0.37, 0.5, 1.5]),
    seed=st.integers(0, 2**32 - 1),
)
def test_agrees_with_the_definition_done_slowly(name, points, cutoff_mm, spacing_um, seed):
    # The count of rounds is part of the definition, and rounding may tip the stop rule: a few rounds are compared.
    z = surface(name, points, spacing_um, seed)
    z[points // 3 : points // 3 + 9] -= 3 * np.ptp(z)
    expected = _slow(z, spacing_um, cutoff_mm, rounds=4)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(robust, "MAX_ROUNDS", 4)
        np.testing.assert_allclose(mean_line(z, spacing_um, cutoff_mm), expected, rtol=0, atol=1e-7 * np.ptp(z))


@pytest.mark.parametrize("name", ["turned", "honed", "scratched", "eroded"])
def test_agrees_with_the_definition_until_it_stops(name):
    z = surface(name, 401, 0.5, 5)
    np.testing.assert_allclose(mean_line(z, 0.5, 0.05), _slow(z, 0.5, 0.05), rtol=0, atol=1e-9 * np.ptp(z))


@pytest.mark.parametrize("shape", ["level", "tilt", "parabola"])
def test_a_parabola_is_its_own_mean_line(shape):
    # ISO 16610-31: order 2 keeps form of second order up to both ends
    x = np.linspace(-2, 2, 700)
    z = {"level": np.full(700, 3.25), "tilt": 5 + 2 * x, "parabola": 40 - 3 * x + 7 * x * x}[shape]
    np.testing.assert_allclose(mean_line(z, 0.5, 0.08), z, rtol=0, atol=1e-12)


@settings(max_examples=15, deadline=None)
@given(
    name=st.sampled_from(sorted(set(SURFACES) - {"specimen"})),
    seed=st.integers(0, 10_000),
    scale=st.sampled_from([-2.0, 0.25, 1e-6, 1024.0]),
    form=st.tuples(st.floats(-50, 50), st.floats(-20, 20), st.floats(-20, 20)),
)
def test_scales_with_the_profile_and_adds_form_of_second_order(name, seed, scale, form):
    z = surface(name, 900, 0.5, seed)
    x = np.linspace(-1, 1, z.size)
    added = form[0] + form[1] * x + form[2] * x * x
    with pytest.MonkeyPatch.context() as patch:
        # Rounding must not decide when the two end.
        patch.setattr(robust, "TOLERANCE", 0.0)
        patch.setattr(robust, "MAX_ROUNDS", 6)
        line = mean_line(z, 0.5, 0.08)
        moved = mean_line(scale * z + added, 0.5, 0.08)
    size = np.ptp(scale * z) + np.ptp(added)
    np.testing.assert_allclose(moved - added, scale * line, rtol=0, atol=1e-9 * size + 1e-14 * np.abs(added).max())


@pytest.mark.parametrize("name", sorted(set(SURFACES) - {"specimen"}))
def test_the_direction_of_the_trace_does_not_matter(name):
    z = surface(name, 1201, 0.5, 3)
    forward, backward = mean_line(z, 0.5, 0.08), mean_line(z[::-1], 0.5, 0.08)[::-1]
    np.testing.assert_allclose(backward, forward, rtol=0, atol=1e-9 * np.ptp(z))


def test_a_deep_groove_does_not_draw_the_line_down():
    rng = np.random.default_rng(7)
    z = 0.05 * rng.standard_normal(3001)
    grooved = z.copy()
    grooved[1400:1460] -= 10.0
    undisturbed, disturbed = mean_line(z, 0.5, 0.25), mean_line(grooved, 0.5, 0.25)
    assert np.abs(disturbed - undisturbed).max() < 0.05
    assert disturbed.min() > -0.1


def test_long_traces_go_through_in_blocks_without_a_seam(monkeypatch):
    z = surface("scratched", 70_000, 0.5, 2)
    in_blocks = LocalParabola(z.size, 0.5, 0.25)
    assert in_blocks._block < z.size // 2
    weights = np.random.default_rng(0).uniform(0, 1, z.size)
    pieces = np.empty_like(z)
    in_blocks.fit(z, weights, pieces)
    monkeypatch.setattr(local_parabola, "_BLOCK", 1 << 18)
    whole = np.empty_like(z)
    at_once = LocalParabola(z.size, 0.5, 0.25)
    assert at_once._block == z.size
    at_once.fit(z, weights, whole)
    np.testing.assert_allclose(pieces, whole, rtol=0, atol=1e-12 * np.ptp(z))


def test_sums_formed_directly_give_what_the_transforms_give(monkeypatch):
    z = surface("eroded", 1500, 0.5, 4)
    expected = mean_line(z, 0.5, 0.08)
    monkeypatch.setattr(local_parabola, "_SAFE_DETERMINANT", np.inf)
    np.testing.assert_allclose(mean_line(z, 0.5, 0.08), expected, rtol=0, atol=1e-12 * np.ptp(z))


def _fit(z, weights, before):
    line = before.copy()
    LocalParabola(z.size, 0.5, 0.05).fit(z, weights, line)
    return line


def test_few_samples_with_weight_still_fit_exactly():
    # Samples 100 to 150 are the reach of sample 125 and beyond; a cluster at its rim must be extrapolated by rule.
    z = np.sin(np.arange(400) / 30.0)
    weights = np.zeros(400)
    weights[[210, 218, 231, 245, 260]] = [1.0, 0.25, 0.5, 1.0, 0.125]
    line = _fit(z, weights, np.zeros(400))
    for sample in (120, 205, 300):
        near = [j for j in np.flatnonzero(weights) if abs(j - sample) <= 150]
        u = mpmath.matrix([[mpmath.mpf(int(j - sample)) / 100] for j in near])
        w = [
            mpmath.exp(-mpmath.pi * (u[k] / mpmath.mpf(GAMMA)) ** 2) * mpmath.mpf(weights[j])
            for k, j in enumerate(near)
        ]
        with mpmath.workdps(50):
            normal = mpmath.matrix(3, 3)
            side = mpmath.matrix(3, 1)
            for row in range(3):
                side[row] = mpmath.fsum(w[k] * u[k] ** row * mpmath.mpf(float(z[j])) for k, j in enumerate(near))
                for column in range(3):
                    normal[row, column] = mpmath.fsum(w[k] * u[k] ** (row + column) for k in range(len(near)))
            expected = float(mpmath.lu_solve(normal, side)[0])
        assert line[sample] == pytest.approx(expected, rel=1e-8, abs=1e-10)


def test_too_few_samples_with_weight_lower_the_degree():
    z = np.arange(400) ** 2 / 1000.0
    before = np.full(400, -7.0)
    two, one = np.zeros(400), np.zeros(400)
    two[[190, 210]] = 0.5, 1.0
    one[200] = 0.3
    on_line = z[190] + (z[210] - z[190]) * (200 - 190) / 20
    assert _fit(z, two, before)[200] == pytest.approx(on_line, rel=1e-12)
    assert _fit(z, one, before)[[50, 200, 350]] == pytest.approx([z[200]] * 3, rel=1e-14)
    # Out of reach of every weight the value of the round before stays.
    assert _fit(z, one, before)[[49, 351]].tolist() == [-7.0, -7.0]
    assert (_fit(z, np.zeros(400), before) == before).all()


def test_a_plateau_that_is_its_own_mean_line_ends_the_iteration():
    # Over half of the trace is exactly level: the median residual falls to 0 once the grooves are out.
    z = np.zeros(2000)
    z[300::400] = z[301::400] = -5.0
    line = mean_line(z, 0.5, 0.08)
    np.testing.assert_allclose(line, 0.0, rtol=0, atol=1e-11)


def test_rounding_is_never_taken_for_a_weight():
    # Without the floor under the determinant one of some hundred empty places passes for a weighted one.
    rng = np.random.default_rng(3)
    for _ in range(60):
        weights = rng.uniform(0, 1, 400)
        weights[100:350] = 0.0
        line = np.full(400, -7.0)
        LocalParabola(400, 0.5, 0.0125).fit(rng.normal(0, 1, 400), weights, line)
        assert (line[137:313] == -7.0).all()


def test_half_a_trace_rough_and_half_smooth_stays_finite():
    rng = np.random.default_rng(11)
    z = 1e-4 * rng.standard_normal(4000)
    z[:1500] += 10 * rng.standard_normal(1500)
    line = mean_line(z, 0.5, 0.025)
    assert np.isfinite(line).all()
    np.testing.assert_allclose(line[1700:], 0.0, rtol=0, atol=1e-4)


@pytest.mark.parametrize("points", [1, 2, 3, 4, 5])
def test_a_handful_of_samples_is_fitted_as_far_as_it_goes(points):
    z = np.array([1.0, -2.0, 4.0, 0.5, 3.0])[:points]
    line = mean_line(z, 0.5, 0.8)
    assert line.shape == (points,)
    assert np.isfinite(line).all()
    if points <= 3:
        np.testing.assert_allclose(line, z, rtol=0, atol=1e-12)


def test_a_cutoff_longer_than_the_trace_fits_one_parabola():
    rng = np.random.default_rng(1)
    z = rng.normal(0, 1, 101)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(robust, "MAX_ROUNDS", 0)
        line = mean_line(z, 0.5, 80.0)
    x = np.linspace(-1, 1, 101)
    np.testing.assert_allclose(line, np.polyval(np.polyfit(x, z, 2), x), rtol=0, atol=1e-5)


def test_input_is_neither_changed_nor_bound_to_one_type():
    z = (100 * surface("ground", 500, 0.5, 1)).round()
    kept = z.copy()
    line = mean_line(z, 0.5, 0.08)
    assert line.dtype == np.float64
    assert (z == kept).all()
    assert (mean_line(z.astype(np.float32), 0.5, 0.08) == line).all()
    assert (mean_line(z.astype(np.int32), 0.5, 0.08) == line).all()


@pytest.mark.parametrize(
    ("z", "spacing_um", "cutoff_mm", "error", "says"),
    [
        ([0.0, np.nan, 1.0], 0.5, 0.8, TraceError, "height 1 of the profile is nan"),
        ([0.0, 1.0, -np.inf], 0.5, 0.8, TraceError, "height 2 of the profile is -inf"),
        ([[0.0, 1.0]], 0.5, 0.8, TraceError, r"shape \(1, 2\)"),
        ([], 0.5, 0.8, TraceError, r"shape \(0,\)"),
        ([0.0, 1.0], 0.0, 0.8, TraceError, "spacing_um is 0.0"),
        ([0.0, 1.0], np.nan, 0.8, TraceError, "spacing_um is nan"),
        ([0.0, 1.0], 0.5, 0.001, SettingsError, "must be above two spacings, 0.001 mm"),
        ([0.0, 1.0], 0.5, np.nan, SettingsError, "cut-off nan mm"),
    ],
)
def test_what_cannot_be_filtered_is_refused(z, spacing_um, cutoff_mm, error, says):
    with pytest.raises(error, match=says):
        mean_line(np.array(z), spacing_um, cutoff_mm)
