"""Clipped and stuck: no alarm on clean surfaces of any kind, detection at graded strengths.

Surfaces and faults are invented (tests/inspection_surfaces.py, tests/synthetic_surfaces.py). What counts as a fault is
our decision; no standard defines it.
"""

from __future__ import annotations

import numpy as np
import pytest

import synthetic_surfaces
from campaign_counts import campaign_count
from crosslay.inspection.findings.clipped import clipped
from crosslay.inspection.findings.stuck import stuck
from crosslay.inspection.findings.subject import Subject
from crosslay.inspection.plausibility import implausible
from crosslay.texture.evaluation import evaluate
from crosslay.texture.settings import Settings
from crosslay.texture.trace import Severity, Trace
from inspection_surfaces import POINTS, RESOLUTION_UM, SPACING_UM, SURFACES, clean, trace

SETTINGS = Settings(cutoff_mm=0.8)
EACH = campaign_count("CROSSLAY_PLAUSIBILITY_TRACES", short=6, full=300)


def findings(of: Trace) -> list[str]:
    return [each.id for each in implausible(of, (evaluate(of, SETTINGS),))]


@pytest.mark.parametrize("kind", SURFACES)
@pytest.mark.parametrize("range_um", [400.0, None], ids=["range known", "range not known"])
def test_no_alarm_on_clean_surfaces(kind, range_um):
    rng = np.random.default_rng(41)
    for _ in range(EACH):
        assert findings(trace(clean(kind, rng).heights, range_um=range_um)) == []


@pytest.mark.parametrize("kind", synthetic_surfaces.SURFACES)
def test_no_alarm_on_surfaces_of_another_maker(kind):
    tilts = np.random.default_rng(42).uniform(-5e-3, 5e-3, EACH)
    for seed, tilt in enumerate(tilts):
        heights = synthetic_surfaces.surface(kind, POINTS, SPACING_UM, seed) + tilt * np.arange(POINTS)
        found = findings(Trace(samples=heights, spacing_um=SPACING_UM))
        assert found == [] or (kind, found) == ("scratched", ["scratch"])


@pytest.mark.parametrize(
    ("wavelength_mm", "decimals"), [(0.05, 6), (0.25, 2), (0.25, 6), (0.4, 3), (2.5, 3), (4.0, 2), (8.0, 2), (8.0, 3)])
def test_no_alarm_on_a_sine_printed_with_few_digits(wavelength_mm, decimals):
    # Type C1 of ISO 5436-1. Its rounded peaks, printed coarsely, are plateaus of up to 0.2 mm.
    x_mm = np.arange(POINTS) * SPACING_UM / 1000.0
    heights = np.round(np.sin(2 * np.pi * x_mm / wavelength_mm + 0.3), decimals)
    assert findings(Trace(samples=heights, spacing_um=SPACING_UM)) == []


# --- clipped ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", SURFACES)
@pytest.mark.parametrize("side", [1.0, -1.0], ids=["top", "bottom"])
def test_clipping_of_a_thousandth_is_found_where_the_range_is_known(kind, side):
    rng = np.random.default_rng(43)
    for _ in range(EACH):
        heights = clean(kind, rng).heights
        end = float(np.quantile(side * heights, 0.999))
        shifted = trace(heights - side * end + side * 400.0)
        found = clipped(shifted, 1.0)
        assert found is not None
        assert found.severity is Severity.INVALID
        assert 5 <= found.evidence["count"] <= 0.002 * POINTS
        assert found.evidence["share_percent"] == pytest.approx(100 * found.evidence["count"] / POINTS)


@pytest.mark.parametrize("kind", SURFACES)
@pytest.mark.parametrize("share", [0.05, 0.15])
def test_clipping_is_found_on_a_level_where_the_range_is_not_known(kind, share):
    rng = np.random.default_rng(44)
    found = 0
    for _ in range(EACH):
        surface = clean(kind, rng)
        heights = surface.heights
        top = float(np.quantile(heights, 1 - share))
        found += "clipped" in findings(trace(np.minimum(heights, top), range_um=None))
    assert found >= 0.9 * EACH


def test_one_sample_at_the_end_of_the_range_is_enough_and_one_step_below_is_none():
    rng = np.random.default_rng(45)
    heights = clean("turned", rng).heights
    end = 400.0 / RESOLUTION_UM
    counts = np.round(heights / RESOLUTION_UM)
    counts[5000] = end
    at_end = Trace(samples=counts, spacing_um=SPACING_UM, sample_range=(-end, end))
    assert clipped(at_end, 1.0).evidence["count"] == 1.0
    counts[5000] = end - 1
    assert clipped(Trace(samples=counts, spacing_um=SPACING_UM, sample_range=(-end, end)), 1.0) is None


# --- stuck -----------------------------------------------------------------------------------------------------------


def held(heights: np.ndarray, length_mm: float, rng: np.random.Generator, noise_um: float) -> np.ndarray:
    out = heights.copy()
    points = round(length_mm * 1000 / SPACING_UM)
    first = int(rng.integers(200, POINTS - points - 200))
    out[first : first + points] = out[first] + noise_um * rng.standard_normal(points)
    return out


@pytest.mark.parametrize("kind", SURFACES)
@pytest.mark.parametrize(("share", "noise_um"), [(0.12, 0.0), (0.5, 0.0), (0.5, 0.001), (1.5, 0.001)])
def test_a_stuck_stylus_is_found(kind, share, noise_um):
    """From a little over 0.1 λc on; with the noise that the electronics alone leave, too."""
    rng = np.random.default_rng(46)
    found = 0
    for _ in range(EACH):
        surface = clean(kind, rng)
        found += "stuck" in findings(trace(held(surface.heights, share * 0.8, rng, noise_um)))
    assert found >= 0.9 * EACH


# The plateaus of a square specimen are level themselves and may lengthen the stretch.
@pytest.mark.parametrize("kind", [kind for kind in SURFACES if kind != "specimen"])
def test_a_flat_stretch_below_a_tenth_of_the_cut_off_is_no_finding(kind):
    rng = np.random.default_rng(47)
    for _ in range(EACH):
        assert "stuck" not in findings(trace(held(clean(kind, rng).heights, 0.07 * 0.8, rng, 0.0)))


def test_where_and_how_long_it_was_stuck():
    rng = np.random.default_rng(48)
    heights = clean("ground", rng, rz_um=4.0).heights
    heights[3000:4000] = heights[3000]
    of = trace(heights)
    found = stuck(Subject(trace=of, evaluation=evaluate(of, SETTINGS)))
    assert found.severity is Severity.INVALID
    assert found.evidence["from_mm"] == pytest.approx(1.5, abs=0.005)
    assert found.evidence["length_mm"] == pytest.approx(0.5, abs=0.01)
    assert "1.5 mm" in found.text


def test_a_gauge_that_froze_at_the_start_is_stuck_even_where_nothing_could_be_evaluated():
    frozen = Trace(samples=np.full(500, 7, dtype=np.int32), spacing_um=SPACING_UM)
    assert [each.id for each in implausible(frozen, ())] == ["stuck"]


def test_what_is_wrong_in_a_zone_that_is_left_out_is_no_matter():
    rng = np.random.default_rng(49)
    heights = clean("ground", rng, rz_um=4.0).heights
    over_the_edge = heights.copy()
    over_the_edge[:1000] = -1000.0
    of = trace(over_the_edge)
    left_out = Settings(cutoff_mm=0.8, skip_start_mm=0.5, sections=4)
    evaluation = evaluate(of, left_out)
    assert [each.id for each in implausible(of, (evaluation,))] == ["clipped", "stuck"]
    assert implausible(of, (evaluation,), skip_start_mm=0.5) == []
    heights[3000:4000] = heights[3000]
    held_later = trace(heights)
    findings_later = implausible(held_later, (evaluate(held_later, left_out),), skip_start_mm=0.5)
    found = next(each for each in findings_later if each.id == "stuck")
    assert found.evidence["from_mm"] == pytest.approx(1.5, abs=0.005)
