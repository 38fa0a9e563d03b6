"""Spikes, jumps, slow waves, skewed ends, scratches, lost samples: what each finding says, and what it leaves alone.

How often each is found is measured by tests/finding_campaign.py; here stand the numbers that it shows, the severities
and the cases between two findings. Faults are invented; no standard defines them.
"""

from __future__ import annotations

import zlib
from dataclasses import replace

import numpy as np
import pytest

from crosslay.inspection.findings.clipped import clipped
from crosslay.inspection.findings.periodic import period_points, without_repetition
from crosslay.inspection.findings.subject import Subject
from crosslay.inspection.plausibility import implausible
from crosslay.texture.evaluation import evaluate
from crosslay.texture.settings import Settings
from crosslay.texture.trace import Finding, Severity, Trace
from finding_faults import dropout
from inspection_surfaces import POINTS, SPACING_UM, clean, trace

SETTINGS = Settings(cutoff_mm=0.8)
X_MM = np.arange(POINTS) * SPACING_UM / 1000.0


def on(heights: np.ndarray | Trace, settings: Settings = SETTINGS) -> dict[str, Finding]:
    of = heights if isinstance(heights, Trace) else trace(heights)
    return {each.id: each for each in implausible(of, (evaluate(of, settings),))}


@pytest.fixture
def ground():
    return clean("ground", np.random.default_rng(71), rz_um=4.0)


def test_a_spike_is_counted_placed_and_measured(ground):
    heights = ground.heights.copy()
    heights[3000] += 12.0
    heights[6000:6003] -= 16.0
    found = on(heights)
    assert set(found) == {"spike"}
    spike = found["spike"]
    assert spike.severity is Severity.INVALID
    assert spike.evidence["count"] == 2
    assert spike.evidence["x_mm"] == pytest.approx(3.0, abs=0.002)
    assert spike.evidence["height_um"] == pytest.approx(-16.0, abs=3.0)
    assert "2 spikes" in spike.text


def test_spikes_in_every_section_do_not_hide_in_the_height_of_the_texture(ground):
    heights = ground.heights.copy()
    heights[np.arange(500, POINTS, 900)] += 40.0
    assert on(heights)["spike"].evidence["count"] == np.arange(500, POINTS, 900).size


def test_noise_that_the_short_cut_off_hides_is_no_spike():
    heights = 0.1 * np.random.default_rng(2).standard_normal(POINTS)
    assert "spike" not in on(Trace(samples=heights, spacing_um=SPACING_UM))


def test_a_dropout_of_the_signal_is_found_though_it_is_short_of_stuck(ground):
    heights = ground.heights.copy()
    heights[4000:4100] -= 30.0
    assert "spike" in on(heights)


def test_a_dropout_on_a_fine_surface_is_evaluated_and_found():
    # Its steps make nearly every point of the probability plot an outlier.
    rng = np.random.default_rng([0x5EED_0002, zlib.crc32(b"spike dropout of 2 Rz, 2 to 100 samples lapped"), 4])
    of = dropout(clean("lapped", rng), rng, strength=2.0)
    assert evaluate(of, SETTINGS).parameters["Rpq"] is None
    assert "spike" in on(of)


@pytest.mark.parametrize("lasting", [1, 4, 8])
def test_a_jump_is_placed_and_measured(ground, lasting):
    found = on(ground.heights + 8.0 * np.clip((np.arange(POINTS) - 4000) / lasting, 0.0, 1.0))
    assert set(found) == {"rocking"}
    jump = found["rocking"]
    assert jump.severity is Severity.INVALID
    assert jump.evidence["x_mm"] == pytest.approx(2.0, abs=0.01)
    assert jump.evidence["jump_um"] == pytest.approx(8.0, abs=2.0)  # half of Rz: what the texture adds


def test_a_large_jump_is_no_scratch_as_well(ground):
    assert set(on(ground.heights + 40.0 * (X_MM > 2.0))) == {"rocking"}


def test_a_part_that_tips_and_tips_back_has_jumped(ground):
    assert on(ground.heights + 6.0 * ((X_MM > 1.5) & (X_MM < 3.2)))["rocking"].severity is Severity.INVALID


def test_a_wave_above_the_cut_off_is_a_warning_with_its_length(ground):
    wave = on(ground.heights + 2.0 * np.sin(2 * np.pi * X_MM / 0.96))["rocking"]
    assert wave.severity is Severity.WARNING
    assert wave.evidence["wavelength_mm"] == pytest.approx(0.96, rel=0.03)
    assert wave.evidence["amplitude_um"] == pytest.approx(2.0, rel=0.1)


def test_a_wave_far_above_the_cut_off_is_waviness(ground):
    assert on(ground.heights + 4.0 * np.sin(2 * np.pi * X_MM / 2.4)) == {}


@pytest.mark.parametrize("at_start", [True, False])
@pytest.mark.parametrize(("strength", "severity"), [(2.5, Severity.WARNING), (8.0, Severity.INVALID)])
def test_a_skewed_end_says_which_end_and_how_much(at_start, strength, severity):
    surface = clean("lapped", np.random.default_rng(72), rz_um=2.0)
    off = 2.0 * strength * np.exp(-X_MM / 0.064)
    found = on(surface.heights + (off if at_start else off[::-1]))["set-down"]
    assert found.severity is severity
    assert found.evidence["at_start"] == float(at_start)
    assert found.evidence["height_per_rz"] == pytest.approx(strength, rel=0.3)
    assert ("start" if at_start else "end") in found.text


def test_a_scratch_is_a_warning_with_its_place(ground):
    found = on(ground.heights - 16.0 * np.clip(1 - np.abs(X_MM - 2.2) / 0.02, 0, None))
    assert set(found) == {"scratch"}
    assert found["scratch"].severity is Severity.WARNING
    assert found["scratch"].evidence["x_mm"] == pytest.approx(2.2, abs=0.01)
    assert found["scratch"].evidence["height_um"] == pytest.approx(-16.0, rel=0.25)


def test_lost_samples_are_counted_where_positions_show_them(ground):
    whole = trace(ground.heights)
    kept = np.delete(np.arange(POINTS), slice(5000, 5020))
    lost = replace(whole, samples=whole.samples[kept], positions_mm=X_MM[kept])
    found = on(lost)["samples-missing"]
    assert found.evidence == pytest.approx({"count": 20.0, "gaps": 1.0, "longest_mm": 0.0105, "x_mm": 2.4995})
    assert "samples-missing" not in on(replace(whole, positions_mm=X_MM))


@pytest.mark.parametrize("tilt", [0.0, 0.3])
def test_an_exact_square_specimen_is_not_clipped_where_the_range_is_unknown(tilt):
    # Type C3/A of ISO 5436-1 as calculated: everything lies on two levels.
    square = Trace(samples=np.where((X_MM / 0.135) % 1.0 < 0.5, 1.0, -1.0) + tilt * X_MM, spacing_um=SPACING_UM)
    assert clipped(square, 2.0) is None
    assert on(square) == {}


def test_a_profile_clipped_on_both_sides_is_no_square():
    heights = np.clip(clean("ground", np.random.default_rng(73), rz_um=4.0).roughness, -0.5, 0.5)
    assert clipped(Trace(samples=heights, spacing_um=SPACING_UM), 1.0) is not None


@pytest.mark.parametrize("period", [97.3, 200.0, 611.7])
def test_the_period_of_an_arc_is_found_to_a_thousandth(period):
    index = np.arange(POINTS)
    arcs = ((index / period) % 1.0 - 0.5) ** 2
    assert period_points(arcs - arcs.mean(), 1600) == pytest.approx(period, rel=1e-3)
    assert period_points(np.random.default_rng(74).standard_normal(POINTS), 1600) is None


def test_without_its_repetition_only_the_fault_is_left():
    period = 160.0
    slopes = np.diff(np.sin(2 * np.pi * np.arange(POINTS) / period))
    slopes[5000] += 1.0
    rest = without_repetition(slopes, period)
    assert rest[5000] == pytest.approx(1.0, abs=1e-3)
    assert np.abs(np.delete(rest, 5000)).max() < 1e-3
    assert without_repetition(slopes, None) is slopes


def test_a_trace_of_few_samples_is_left_to_other_findings():
    coarse = Trace(samples=np.sin(np.arange(60.0)), spacing_um=100.0)
    settings = Settings(cutoff_mm=0.8, short_cutoff_um=None)
    subject = Subject(trace=coarse, evaluation=evaluate(coarse, settings))
    assert subject.rz_um > 0.0
    assert {each.id for each in implausible(coarse, (subject.evaluation,))} <= {"cutoff-too-short", "cutoff-too-long"}
