"""Material probability curve, checked on surfaces whose two processes are known (page *reference-values*, 5.3)."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr, ndtri

from crosslay.texture.material_ratio import FLAT, material_curve
from crosslay.texture.probability import probability_parameters
from crosslay.texture.undefined import Undefined
from curve_cases import window, windows


def _two_lines(plateau, valley, meeting, points):
    """Heights whose probability plot is two straight lines that meet at a deviate."""
    s = ndtri((np.arange(points) + 0.5) / points)
    return np.where(s < meeting, -plateau * s, -plateau * meeting - valley * (s - meeting))


def _found(z):
    return probability_parameters(material_curve(np.asarray(z, dtype=float)))


@settings(deadline=None)
@given(st.floats(0.01, 1.0), st.floats(1.5, 50.0), st.floats(-1.5, 2.2), st.sampled_from([2000, 8000, 80_000]))
def test_two_straight_lines_are_found_again(plateau, ratio, meeting, points):
    # Only the one sample interval in which they meet is not on either line.
    found = _found(_two_lines(plateau, plateau * ratio, meeting, points))
    assert found.pq == pytest.approx(plateau, rel=2e-3)
    assert found.vq == pytest.approx(plateau * ratio, rel=2e-3)
    assert found.mq == pytest.approx(100.0 * ndtr(meeting), abs=0.1)


@pytest.mark.parametrize(
    ("plateau", "valley", "offset"), [(0.1, 1.0, 0.8), (0.2, 1.0, 1.0), (0.1, 0.8, 1.2), (0.05, 1.5, 1.0)]
)
def test_the_lower_of_two_random_surfaces(plateau, valley, offset):
    # Two independent processes, the second ground into the first: z = min(N(0, σ1), N(μ, σ2)). The share q = Φ(μ/σ2) of
    # plateau left bends the plateau line: at the height −σ1·u the ratio is q·Φ(u), so by the chain rule its slope on
    # the plot is σ1·φ(s)/(q·φ(u)), which lies between 1 and 1.3 times σ1 here; hence the one-sided band.
    values = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        z = np.minimum(plateau * rng.standard_normal(8000), offset + valley * rng.standard_normal(8000))
        values.append(dataclasses.astuple(_found(z)))
    pq, vq, mq = np.mean(np.array(values), axis=0)
    kept = ndtr(offset / valley)
    u = np.linspace(-3.0, 0.0, 301)
    s = ndtri(kept * ndtr(u))
    steepest = float(np.max(np.exp(-0.5 * s**2) / (kept * np.exp(-0.5 * u**2))))
    assert plateau < pq < plateau * steepest
    # The valleys are pure where no plateau is left: 3 standard errors of 12 slopes, each good to about 10 %.
    assert vq == pytest.approx(valley, rel=0.1)
    # They meet where the valley line reaches the plateau's height.
    assert mq == pytest.approx(100.0 * ndtr(offset / (valley - plateau)), abs=2.0)


def test_single_burrs_and_pits_do_not_bend_the_lines():
    clean = _two_lines(0.1, 1.0, 0.8, 8000)
    spoilt = clean.copy()
    spoilt[:30] += 5.0
    spoilt[-30:] -= 40.0
    found = _found(spoilt)
    assert found.pq == pytest.approx(0.1, rel=0.02)
    assert found.vq == pytest.approx(1.0, rel=0.02)
    assert found.mq == pytest.approx(100.0 * ndtr(0.8), abs=0.3)


@settings(max_examples=50, deadline=None)
@given(windows(), st.sampled_from([0.125, 0.5, 4.0, 1024.0]))
def test_scaling_scales_slopes_and_order_does_not_matter(case, factor):
    _, z, _ = case
    base, scaled, back = _found(z), _found(factor * z), _found(z[::-1])
    assert base == back
    if isinstance(base.pq, Undefined):
        assert isinstance(scaled.pq, Undefined)
    else:
        assert scaled.pq == pytest.approx(factor * base.pq, rel=1e-9)
        assert scaled.vq == pytest.approx(factor * base.vq, rel=1e-9)
        assert scaled.mq == pytest.approx(base.mq, rel=1e-9)


def test_an_offset_changes_nothing():
    z = window("honed", 4000, 0.5, 5)
    base, moved = dataclasses.astuple(_found(z)), dataclasses.astuple(_found(z + 3.0))
    assert moved == pytest.approx(base, rel=1e-8)


@settings(max_examples=100, deadline=None)
@given(windows(100, 3000))
def test_whatever_the_surface_the_answer_is_sound_or_undefined(case):
    _, z, _ = case
    found = _found(z)
    values = (found.pq, found.vq, found.mq)
    if isinstance(found.pq, Undefined):
        assert all(isinstance(value, Undefined) for value in values)
        return
    assert all(type(value) is float and np.isfinite(value) for value in values)
    assert found.pq >= 0.0
    assert found.vq >= 1.25 * found.pq
    assert 0.0 <= found.mq <= 100.0


def test_one_straight_line_has_no_transition():
    # Gaussian heights, exactly: one process.
    found = _found(ndtri((np.arange(5000) + 0.5) / 5000))
    assert isinstance(found.pq, Undefined)


def test_a_plateau_below_steep_peaks_is_the_wrong_way_round():
    found = _found(-_two_lines(0.1, 1.0, 0.5, 5000))
    assert found.pq == Undefined("the probability curve does not bend from a plateau to steeper valleys")


@pytest.mark.parametrize(
    "z",
    [
        np.where(np.arange(1000) % 2, 1.0, -1.0),
        np.where(np.arange(1000) % 10, 0.0, -1.0),
        np.concatenate((np.zeros(999), [-5.0])),
        np.concatenate((np.zeros(999), [5.0])),
        np.arange(1000.0),
        np.arange(1000.0) ** 4,
        -(np.arange(1000.0) ** 4),
        np.repeat(np.arange(10.0), 100),
    ],
    ids=["square", "two heights", "one pit", "one burr", "linear", "peaks", "valleys", "stairs"],
)
def test_odd_curves_give_a_sound_answer_or_none(z):
    found = _found(z)
    for value in (found.pq, found.vq, found.mq):
        assert isinstance(value, Undefined) or np.isfinite(value)


def test_flat_and_short_profiles():
    assert _found(np.full(500, 1.5)).pq == Undefined(FLAT)
    assert _found(np.arange(99.0)).mq == Undefined("99 samples; the probability curve needs 100")
