"""Theory of Gaussian random profiles, as statistical checks with stated tolerance.

Rq/Ra = √(π/2), Rsk = 0, Rku = 3 (moments of the normal distribution). Rate of mean-line crossings: S. O. Rice,
"Mathematical Analysis of Random Noise", Bell System Technical Journal 23/24 (1944/45): ``(1/π)·σ'/σ`` per unit length
with the rms slope σ' and the rms height σ. Material ratio: the normal distribution's. Core family of a normal curve:
reference values, section 5.2 (computed).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from crosslay.texture import FilterKind, Settings, Trace, evaluate

SEEDS = range(6)


def _evaluated(seed, *parameters):
    """Correlated normal heights: white noise under a Gaussian kernel of 5 µm, so that slopes exist; 1 µm rms."""
    spacing_um, points, width = 0.5, 80_000, 10.0
    reach = np.arange(-60, 61)
    kernel = np.exp(-0.5 * (reach / width) ** 2)
    noise = np.random.default_rng(seed).standard_normal(points + 120)
    z = np.convolve(noise, kernel / np.sqrt(np.sum(kernel**2)), mode="valid")
    settings = Settings(
        cutoff_mm=8.0, filter=FilterKind.NONE, short_cutoff_um=None, form="none", sections=5, parameters=parameters
    )
    done = evaluate(Trace(samples=z, spacing_um=spacing_um), settings)
    return done.parameters, z, spacing_um


@pytest.mark.parametrize("seed", SEEDS)
def test_moments_of_a_normal_profile(seed):
    """80,000 samples are some 2,000 independent ones: standard errors 1.6 % (Rq), 0.05 (Rsk), 0.1 (Rku); 4 of them."""
    found, _, _ = _evaluated(seed)
    assert found["Rq"] == pytest.approx(1.0, rel=0.07)
    assert found["Rq"] / found["Ra"] == pytest.approx(np.sqrt(np.pi / 2), rel=0.02)
    assert found["Rsk"] == pytest.approx(0.0, abs=0.22)
    assert found["Rku"] == pytest.approx(3.0, abs=0.45)


@pytest.mark.parametrize("seed", SEEDS)
def test_crossings_follow_rice(seed):
    """About 2,500 crossings: standard error below 2 %; allowed 6 %. Rdq and Rq are the profile's own."""
    found, z, spacing_um = _evaluated(seed)
    crossings = np.count_nonzero((z[1:] > 0) != (z[:-1] > 0)) / (z.size * spacing_um)
    assert crossings == pytest.approx(found["Rdq"] / (np.pi * found["Rq"]), rel=0.06)
    # the kernel's own rms slope: heights correlate as exp(−x²/(4 w²)), so σ'/σ = 1/(√2 w) with w = 5 µm
    assert found["Rdq"] / found["Rq"] == pytest.approx(1 / (np.sqrt(2) * 5.0), rel=0.06)


@pytest.mark.parametrize("seed", SEEDS)
def test_elements_are_fewer_than_crossings_allow(seed):
    """Every whole element has two crossings at least; discrimination only joins."""
    found, z, spacing_um = _evaluated(seed)
    crossings = np.count_nonzero((z[1:] > 0) != (z[:-1] > 0)) / (z.size * spacing_um / 1000)
    assert 1 / found["Rsm"] <= crossings / 2 * 1.001


@pytest.mark.parametrize("seed", SEEDS)
def test_autocorrelation_length_of_the_kernel(seed):
    """exp(−x²/(4 w²)) falls to 0.2 at x = 2 w √(ln 5) = 12.69 µm; allowed 6 %."""
    found, _, _ = _evaluated(seed)
    assert found["Ral"] == pytest.approx(2 * 0.005 * np.sqrt(np.log(5)), rel=0.06)


@pytest.mark.parametrize("seed", SEEDS)
def test_material_ratio_of_a_normal_profile(seed):
    """Rmr(c) = Φ(−c/σ); allowed 4 percentage points. Core family for σ = 1: reference values, 5.2; Rk within 12 %."""
    found, _, _ = _evaluated(seed, "Rmr(0)", "Rmr(1)", "Rmr(-1)")
    for height in (0, 1, -1):
        assert found[f"Rmr({height})"] == pytest.approx(100 * ndtr(-height), abs=4.0)
    sigma = found["Rq"]
    assert found["Rk"] / sigma == pytest.approx(2.57396, rel=0.12)
    assert found["Rpk"] / sigma == pytest.approx(0.94504, rel=0.25)
    assert found["Rmrk1"] == pytest.approx(9.9051, abs=2.5)
    assert found["Rmrk2"] == pytest.approx(90.0949, abs=2.5)
