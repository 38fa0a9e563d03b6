"""Rocking: jumps and slow waves at graded strengths, and none on clean surfaces.

Surfaces and faults are invented. The strengths are those of the project's own aim: a jump of 1 Rz, a wave of 0.3 Rz.
"""

from __future__ import annotations

import numpy as np
import pytest

from campaign_counts import campaign_count
from crosslay.inspection.findings.subject import Subject
from crosslay.inspection.rocking import line_gaps, rocking
from crosslay.texture.evaluation import evaluate
from crosslay.texture.settings import Settings
from crosslay.texture.trace import Severity, Trace
from inspection_surfaces import POINTS, SPACING_UM, SURFACES, Clean, clean, trace

EACH = campaign_count("CROSSLAY_PLAUSIBILITY_TRACES", short=6, full=300)
X_MM = np.arange(POINTS) * SPACING_UM / 1000.0
#: In a short run a share scatters; the full campaign holds it to what the module claims.
FULL = EACH >= 100
#: Texture finer than a tenth of λc, where a jump of 1 Rz and a wave of 0.3 Rz cannot be the texture itself.
FINE = ("turned", "ground", "honed", "lapped", "porous")


def rocks(of: Trace, settings: Settings):
    return rocking(Subject(trace=of, evaluation=evaluate(of, settings)))


def found(heights: np.ndarray, cutoff_mm: float = 0.8):
    return rocks(trace(heights), Settings(cutoff_mm=cutoff_mm))


def jumped(surface: Clean, strength: float, rng: np.random.Generator, ramp_mm: float = 0.0) -> np.ndarray:
    at = rng.uniform(0.25, 0.75) * X_MM[-1]
    rise = np.heaviside(X_MM - at, 0.0) if ramp_mm == 0 else np.clip((X_MM - at) / ramp_mm, 0.0, 1.0)
    return surface.heights + strength * surface.rz_um * rng.choice([-1.0, 1.0]) * rise


def waved(surface: Clean, strength: float, rng: np.random.Generator) -> np.ndarray:
    length_mm = rng.uniform(0.3, 0.65)
    return surface.heights + strength * surface.rz_um * np.sin(2 * np.pi * (X_MM / length_mm + rng.uniform()))


@pytest.mark.parametrize("kind", SURFACES)
def test_clean_surfaces_do_not_rock(kind):
    rng = np.random.default_rng(51)
    for _ in range(2 * EACH):
        assert found(clean(kind, rng).heights) is None


@pytest.mark.parametrize("kind", FINE)
def test_a_jump_of_one_rz_is_found(kind):
    rng = np.random.default_rng(52)
    hits = [found(jumped(clean(kind, rng), 1.0, rng)) is not None for _ in range(2 * EACH)]
    assert np.mean(hits) >= (0.75 if FULL else 0.5)


@pytest.mark.parametrize("kind", SURFACES)
@pytest.mark.parametrize(("strength", "ramp_mm"), [(3.0, 0.0), (4.0, 0.096)])
def test_a_large_jump_is_found_on_every_surface_and_need_not_be_sudden(kind, strength, ramp_mm):
    rng = np.random.default_rng(53)
    hits = [found(jumped(clean(kind, rng), strength, rng, ramp_mm)) is not None for _ in range(EACH)]
    assert np.mean(hits) >= 0.9


@pytest.mark.parametrize("kind", ["turned", "ground", "lapped", "porous"])
@pytest.mark.parametrize(("strength", "share"), [(0.3, 0.6 if FULL else 0.5), (1.0, 0.85 if FULL else 0.7)])
def test_a_slow_wave_under_the_texture_is_found(kind, strength, share):
    rng = np.random.default_rng(54)
    hits = [found(waved(clean(kind, rng), strength, rng)) is not None for _ in range(2 * EACH)]
    assert np.mean(hits) >= share


@pytest.mark.parametrize("kind", SURFACES)
def test_a_small_jump_is_left_alone(kind):
    rng = np.random.default_rng(55)
    assert not any(found(jumped(clean(kind, rng), 0.2, rng)) for _ in range(EACH))


@pytest.mark.parametrize("wavelength_mm", [0.1, 0.25, 0.33, 0.4, 0.5, 0.7])
@pytest.mark.parametrize("shape", [np.sin, lambda phase: np.abs(np.sin(phase / 2)), lambda phase: phase / 6.283 % 1.0])
def test_periodic_specimens_do_not_rock(wavelength_mm, shape):
    # Types C1 (sine), C4 (arcs) and a sawtooth of ISO 5436-1, coarse ones included: the wave is the texture.
    heights = 3.0 * shape(2 * np.pi * X_MM / wavelength_mm + 1.0)
    assert found(heights + 0.005 * np.random.default_rng(1).standard_normal(POINTS)) is None


def test_a_scratch_is_no_jump():
    rng = np.random.default_rng(56)
    for kind in FINE:
        surface = clean(kind, rng, rz_um=3.0)
        at = rng.uniform(1.0, 3.8)
        scratch = 5 * surface.rz_um * np.clip(1 - np.abs(X_MM - at) / 0.025, 0, None)
        assert found(surface.heights - scratch) is None


def test_tilt_and_large_waviness_are_no_rocking():
    rng = np.random.default_rng(57)
    for kind in SURFACES:
        surface = clean(kind, rng, rz_um=1.0)
        wave = 4.0 * np.sin(2 * np.pi * X_MM / rng.uniform(2.5, 6.0))
        assert found(surface.heights + wave + 30.0 * X_MM) is None


def test_the_finding_says_how_much_and_where():
    rng = np.random.default_rng(58)
    surface = clean("lapped", rng, rz_um=2.0)
    step = found(surface.heights + 3.0 * (X_MM > 2.0))
    assert (step.id, step.severity) == ("rocking", Severity.INVALID)
    assert step.evidence["x_mm"] == pytest.approx(2.0, abs=0.05)
    assert f"{step.evidence['x_mm']:.3g} mm" in step.text
    wave = found(surface.heights + 0.8 * np.sin(2 * np.pi * X_MM / 0.5))
    assert wave.evidence["wavelength_mm"] == pytest.approx(0.5, rel=0.02)
    # The Gaussian filter passes 0.5 mm under λc 0.8 mm to 1 − 2^−(1.6²) = 83.0 % (ISO 16610-21).
    assert wave.evidence["amplitude_um"] == pytest.approx(0.8 * 0.83, rel=0.05)


@pytest.mark.parametrize("cutoff_mm", [0.25, 0.8])
def test_the_test_goes_with_the_cut_off(cutoff_mm):
    rng = np.random.default_rng(59)
    surface = clean("lapped", rng, rz_um=2.0)
    assert found(surface.heights, cutoff_mm) is None
    assert found(surface.heights + 6.0 * (X_MM > 2.4), cutoff_mm) is not None


def test_gaps_of_lines_against_polyfit():
    rng = np.random.default_rng(60)
    heights = 1e4 + rng.standard_normal(300)
    gaps = line_gaps(heights, 40)
    assert gaps.shape == (300 - 80 + 1,)
    for place in (0, 17, 220):
        middle = place + 40
        left = np.polyfit(np.arange(middle - 40, middle), heights[middle - 40 : middle], 1)
        right = np.polyfit(np.arange(middle, middle + 40), heights[middle : middle + 40], 1)
        assert gaps[place] == pytest.approx(np.polyval(right, middle - 0.5) - np.polyval(left, middle - 0.5), abs=1e-8)


def test_gaps_ignore_lines_and_the_curvature_of_parabolas():
    x = np.arange(500.0)
    assert np.abs(line_gaps(3.0 + 0.2 * x, 60)).max() < 1e-9
    assert np.abs(line_gaps(0.001 * (x - 200) ** 2, 60)).max() < 1e-8
    assert line_gaps((x >= 250) * 2.0, 60)[250 - 60] == pytest.approx(2.0, abs=1e-9)


def test_a_short_or_flat_trace_is_left_to_other_findings():
    flat = Trace(samples=np.zeros(POINTS), spacing_um=SPACING_UM)
    assert rocks(flat, Settings(cutoff_mm=0.8)) is None
    coarse = Trace(samples=np.sin(np.arange(60.0)), spacing_um=100.0)
    assert rocks(coarse, Settings(cutoff_mm=0.8, short_cutoff_um=None)) is None
