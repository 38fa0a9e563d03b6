"""The simulated surfaces against closed forms and plain numpy; the faults by what they must do to a trace."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.ndimage
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from crosslay.texture.evaluation import evaluate
from crosslay.texture.settings import Settings
from crosslay_adapters.gauges.simulated.config import PlannedPart, SimulatedConfig
from crosslay_adapters.gauges.simulated.faults import FAULTS, Traverse
from crosslay_adapters.gauges.simulated.gauge import simulate
from crosslay_adapters.gauges.simulated.surfaces import (
    Turning,
    along_groove,
    correlated,
    envelope,
    grooves,
    ground,
    honed,
    roughness,
    scaled_to_ra,
    traced,
    triangles,
    turned,
    waviness,
)

#: f mm, r mm, exact Rt µm, exact Ra µm of touching circular arcs, and Rt µm of the handbook's f²/(8r).
#: Rt = r − √(r² − f²/4); computed from the geometry, see "Turned surface" in handbooks of machining.
TURNED = [
    (0.10, 0.4, 3.13730, 0.80440, 3.12500),
    (0.10, 0.8, 1.56403, 0.40125, 1.56250),
    (0.20, 0.8, 6.27460, 1.60879, 6.25000),
    (0.25, 0.8, 9.82596, 2.51822, 9.76562),
    (0.30, 1.2, 9.41190, 2.41319, 9.37500),
    (0.40, 0.8, 25.4033, 6.49724, 25.0000),
]
REVOLUTIONS = 5
SAMPLES_PER_REVOLUTION = 20_000


def rng(seed: int = 0) -> np.random.Generator:
    return np.random.default_rng(seed)


def clean_cut(feed_mm: float, radius_mm: float) -> tuple[np.ndarray, float]:
    """A whole number of undisturbed grooves, so that means over them do not depend on where the trace begins."""
    spacing_um = feed_mm * 1000.0 / SAMPLES_PER_REVOLUTION
    cut = Turning(feed_mm=feed_mm, nose_radius_mm=radius_mm)
    return turned(cut, REVOLUTIONS * SAMPLES_PER_REVOLUTION, spacing_um, rng()), spacing_um


@pytest.mark.parametrize(("feed_mm", "radius_mm", "rt_um", "ra_um", "rt_handbook_um"), TURNED)
def test_turned_grooves_have_the_handbook_height(feed_mm: float, radius_mm: float, rt_um: float, ra_um: float,
                                                 rt_handbook_um: float) -> None:
    surface, spacing_um = clean_cut(feed_mm, radius_mm)
    # The cusp lies up to half a sample beside the nearest sample, on a flank of slope f/2 / √(r² − f²/4).
    slope = 0.5 * feed_mm / math.sqrt(radius_mm**2 - 0.25 * feed_mm**2)
    print_rounding = 5e-5 if rt_um < 25 else 5e-4
    between_samples = 0.5 * spacing_um * slope
    assert np.ptp(surface) == pytest.approx(rt_um, abs=between_samples + print_rounding)
    assert np.mean(np.abs(surface - surface.mean())) == pytest.approx(ra_um, abs=between_samples + 5e-6 + 5e-6)
    handbook = Turning(feed_mm=feed_mm, nose_radius_mm=radius_mm).groove_height_um
    assert handbook == pytest.approx(rt_handbook_um, abs=5e-6)


def test_shallow_grooves_are_the_parabolas_of_type_c4() -> None:
    """Parabolic arcs, cusps up (ISO 5436-1 type C4 shape): Ra 4h/(9√3), Rsk 2√5/7, Rku 15/7; arcs of f/r = 1/80."""
    surface, _ = clean_cut(0.05, 4.0)
    height = np.ptp(surface)
    z = surface - surface.mean()
    rq = math.sqrt(np.mean(z**2))
    assert np.mean(np.abs(z)) / height == pytest.approx(4.0 / (9.0 * math.sqrt(3.0)), rel=2e-4)
    assert rq / height == pytest.approx(2.0 / (3.0 * math.sqrt(5.0)), rel=2e-4)
    assert np.mean(z**3) / rq**3 == pytest.approx(2.0 * math.sqrt(5.0) / 7.0, rel=2e-4)
    assert np.mean(z**4) / rq**4 == pytest.approx(15.0 / 7.0, rel=2e-4)


def test_grooves_repeat_once_per_feed() -> None:
    surface, _ = clean_cut(0.1, 0.4)
    np.testing.assert_allclose(surface[SAMPLES_PER_REVOLUTION:], surface[:-SAMPLES_PER_REVOLUTION], atol=1e-9)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32), feed_mm=st.floats(0.02, 0.4), scatter=st.floats(0, 10), edge=st.floats(0, 50),
       chatter=st.floats(0, 100))
def test_the_surface_is_the_lower_envelope_of_all_grooves(seed: int, feed_mm: float, scatter: float, edge: float,
                                                          chatter: float) -> None:
    """A plain loop over every groove gives the same: no groove farther away than those looked at cuts deeper."""
    points, spacing_um, radius_um = 1500, 1.3, 800.0
    turning = Turning(feed_mm=feed_mm, nose_radius_mm=radius_um / 1000.0, feed_scatter_percent=scatter,
                      built_up_edge_percent=edge, chatter_percent=chatter)
    cut = grooves(turning, points, spacing_um, rng(seed))
    x_um = np.arange(points) * spacing_um
    assert cut.centres_um[0] < 0.0
    assert cut.centres_um[-1] > x_um[-1]
    lowest = np.full(points, np.inf)
    half = (cut.edges_um.shape[1] - 1) // 2
    for centre_um, depth_um, edge_um in zip(cut.centres_um, cut.depths_um, cut.edges_um, strict=True):
        away_um = x_um - centre_um
        inside = np.abs(away_um) < radius_um
        shape = np.interp(away_um / spacing_um, np.arange(-half, half + 1), edge_um)
        arc = radius_um - np.sqrt(radius_um**2 - away_um[inside] ** 2)
        lowest[inside] = np.minimum(lowest[inside], arc + depth_um + shape[inside])
    np.testing.assert_allclose(envelope(cut, points, spacing_um), lowest, atol=1e-6)
    np.testing.assert_array_equal(turned(turning, points, spacing_um, rng(seed)), envelope(cut, points, spacing_um))


def test_chatter_repeats_with_its_period() -> None:
    """Depth errors of a quarter revolution fraction: with a period of 4 revolutions the trace repeats every 4 feeds."""
    cut = Turning(feed_mm=0.1, nose_radius_mm=0.8, chatter_percent=40.0, chatter_period_rev=4.0)
    surface = turned(cut, 10_000, 0.1, rng())
    np.testing.assert_allclose(surface[4000:], surface[:-4000], atol=1e-9)
    assert np.abs(surface[1000:] - surface[:-1000]).max() > 0.1 * cut.groove_height_um


def test_correlated_noise_has_the_autocorrelation_asked_for() -> None:
    """exp(−lag/L), variance 1; standard errors of a first-order process: √((1+k²)/(1−k²)/N) on the variance ×√2."""
    points, length = 2_000_000, 20.0
    noise = correlated(points, length, rng(5))
    keep = math.exp(-1.0 / length)
    spread = math.sqrt((1.0 + keep**2) / (1.0 - keep**2) / points)
    assert noise.mean() == pytest.approx(0.0, abs=4.0 * math.sqrt((1.0 + keep) / (1.0 - keep) / points))
    assert noise.var() == pytest.approx(1.0, abs=4.0 * math.sqrt(2.0) * spread)
    for lag in (1, 7, 20, 60):
        acf = np.mean(noise[lag:] * noise[:-lag]) / noise.var()
        assert acf == pytest.approx(math.exp(-lag / length), abs=4.0 * math.sqrt(2.0) * spread)


def test_correlated_noise_against_a_plain_loop() -> None:
    fast = correlated(500, 30.0, rng(9))
    keep = math.exp(-1.0 / 30.0)
    drive = rng(9).standard_normal(500)
    slow = [drive[0]]
    for value in drive[1:]:
        slow.append(keep * slow[-1] + math.sqrt(1.0 - keep**2) * value)
    np.testing.assert_allclose(fast, slow, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("skewness", [-1.5, -0.5, 0.0, 0.5])
def test_ground_heights_have_the_skewness_asked_for(skewness: float) -> None:
    points = 1_000_000
    heights = ground(points, 1.0, rng(3), correlation_um=0.0, skewness=skewness)
    # Standard error of the sample skewness by batches, since the heights are not normal.
    batches = heights.reshape(200, -1)
    each = scipy.stats.skew(batches, axis=1)
    assert heights.mean() == pytest.approx(0.0, abs=4.0 / math.sqrt(points))
    assert scipy.stats.skew(heights) == pytest.approx(skewness, abs=4.0 * each.std() / math.sqrt(each.size) + 1e-9)
    fourth = scipy.stats.kurtosis(heights, fisher=False)
    assert heights.std() == pytest.approx(1.0, abs=4.0 * math.sqrt((fourth - 1.0) / (4.0 * points)))


def test_ground_heights_without_skewness_are_normal() -> None:
    heights = ground(5000, 1.0, rng(11), correlation_um=0.0, skewness=0.0)
    assert scipy.stats.kstest(heights, "norm").pvalue > 0.001


def test_waviness_stays_within_its_height() -> None:
    for seed in range(50):
        wave = waviness(20_000, 1.0, rng(seed), height_um=2.0, length_mm=2.5)
        assert 1.2 < np.ptp(wave) <= 2.0


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 2**32), radius_um=st.floats(0, 12), spacing_um=st.floats(0.3, 3.0))
def test_the_tip_path_is_the_grey_dilation_of_scipy(seed: int, radius_um: float, spacing_um: float) -> None:
    """scipy.ndimage.grey_dilation with a disk as structure, in the interior."""
    surface = rng(seed).standard_normal(120)
    reach = int(radius_um / spacing_um)
    offsets = np.arange(-reach, reach + 1) * spacing_um
    disk = np.sqrt(np.maximum(radius_um**2 - offsets**2, 0.0)) - radius_um
    expected = scipy.ndimage.grey_dilation(surface, structure=disk, size=disk.shape, mode="nearest")
    inside = slice(reach, surface.size - reach)
    path = traced(surface, spacing_um, radius_um)
    np.testing.assert_allclose(path[inside], expected[inside], atol=1e-12)
    assert (path >= surface).all()


def test_the_path_over_a_sharp_edge_is_the_tip_itself() -> None:
    """Closed form: a spherical tip over a single spike draws its own disk."""
    surface = np.full(201, -50.0)
    surface[100] = 0.0
    path = traced(surface, 0.1, 5.0)
    x_um = (np.arange(201) - 100) * 0.1
    near = np.abs(x_um) < 4.9
    np.testing.assert_allclose(path[near], np.sqrt(25.0 - x_um[near] ** 2) - 5.0, atol=1e-12)


def test_roughness_against_scipy() -> None:
    """The scaling filter against scipy.ndimage.gaussian_filter1d, mirrored ends, σ = λc·√(ln 2/2)/π."""
    profile = rng(2).standard_normal(9601).cumsum() * 0.01
    sigma = 800.0 / 0.5 * math.sqrt(math.log(2.0) / 2.0) / math.pi
    expected = profile - scipy.ndimage.gaussian_filter1d(profile, sigma, mode="reflect", truncate=8.0)
    np.testing.assert_allclose(roughness(profile, 0.5, 0.8), expected[800:-800], atol=1e-9)


@pytest.mark.parametrize("tip_radius_um", [0.0, 2.0, 10.0])
@pytest.mark.parametrize("ra_um", [0.02, 0.55, 6.3])
def test_scaling_meets_the_ra_asked_for(ra_um: float, tip_radius_um: float) -> None:
    surface = ground(9601, 0.5, rng(1), correlation_um=10.0, skewness=-0.5)
    path = scaled_to_ra(surface, 0.5, ra_um=ra_um, cutoff_mm=0.8, tip_radius_um=tip_radius_um)
    sigma = 800.0 / 0.5 * math.sqrt(math.log(2.0) / 2.0) / math.pi
    filtered = (path - scipy.ndimage.gaussian_filter1d(path, sigma, mode="reflect", truncate=8.0))[800:-800]
    assert np.mean(np.abs(filtered)) == pytest.approx(ra_um, rel=2e-3)


def test_a_flat_surface_stays_flat() -> None:
    path = scaled_to_ra(np.zeros(1000), 0.5, ra_um=1.0, cutoff_mm=0.8, tip_radius_um=2.0)
    assert not path.any()


# Milled, honed, along a groove ----------------------------------------------------------------------------------------

def test_a_cutter_repeats_its_teeth() -> None:
    """Without scatter every turn of the cutter cuts the same; one tooth alone is a turning tool."""
    cutter = Turning(feed_mm=0.1, nose_radius_mm=0.8, teeth=3, run_out_percent=20.0)
    surface = turned(cutter, 12_001, 0.5, rng(3))
    turn = 600  # samples: three feeds of 0.1 mm at 0.5 µm
    np.testing.assert_allclose(surface[turn:], surface[:-turn], atol=1e-9)
    assert np.abs(surface[200:] - surface[:-200]).max() > 0.02 * cutter.groove_height_um
    alone = Turning(feed_mm=0.1, nose_radius_mm=0.8, teeth=1, run_out_percent=20.0)
    np.testing.assert_array_equal(turned(alone, 2001, 0.5, rng(3)),
                                  turned(Turning(feed_mm=0.1, nose_radius_mm=0.8), 2001, 0.5, rng(3)))


def test_honed_grooves_cover_what_a_boolean_model_covers() -> None:
    """Without a plateau: share that no groove covers e^(−density·mean width) (Poisson law), and nothing above it."""
    surface = honed(2_000_001, 0.5, rng(4), plateau_percent=0.0, grooves_per_mm=8.0, groove_width_um=40.0)
    assert surface.max() == 0.0
    assert -1.0 <= surface.min() < -0.99
    # 8,000 grooves: the uncovered share scatters by less than 2 %.
    assert np.mean(surface == 0.0) == pytest.approx(math.exp(-8.0 * 0.040), rel=0.04)


def test_a_honed_surface_is_skewed_to_its_grooves() -> None:
    surface = honed(96_001, 0.5, rng(5), plateau_percent=5.0, grooves_per_mm=8.0, groove_width_um=40.0)
    assert scipy.stats.skew(surface) < -1.0


def test_the_specimens_triangles_have_the_ra_and_the_height_of_their_type() -> None:
    """Type C2 of ISO 5436-1: Ra = A/2, height 2A; over whole periods, sampled at a hundredth of one."""
    surface = triangles(10_000, 0.3, rng(7), pitch_um=30.0, ra_um=0.75)
    assert np.mean(np.abs(surface)) == pytest.approx(0.75, rel=1e-3)
    assert np.ptp(surface) == pytest.approx(4 * 0.75, rel=0.02)
    assert surface.mean() == pytest.approx(0.0, abs=1e-9)


def test_a_worn_tip_reads_less_on_the_specimen() -> None:
    """A ball lifts every flank by R(sec β − 1), so the height falls by that: 22 µm and tan β = 4A/λ = 0.2.

    Ridges and valleys lie up to half a spacing beside a sample, 0.01 µm of height each.
    """
    config = options(tilt_um_per_mm=0.0, waviness_um=0.0, noise_um=0.0, spacing_um=0.1, length_mm=1.0)
    good, worn = ({"part": 1, "specimen": "s"}, {"part": 1, "specimen": "s", "fault": "tip-wear"})
    traces = [simulate(config, 1, PlannedPart.model_validate(entry)) for entry in (good, worn)]
    assert [each.facts["specimen"] for each in traces] == ["s", "s"]
    for trace, radius_um in zip(traces, (2.0, 22.0), strict=True):
        height_um = float(np.ptp(trace.samples[300:-300] * config.resolution_um))
        assert height_um == pytest.approx(3.0 - radius_um * (math.hypot(1.0, 0.2) - 1.0), abs=0.03)


def test_nothing_along_a_groove_repeats() -> None:
    heights = along_groove(200_001, 0.5, rng(6))
    assert heights.std() == pytest.approx(1.0, rel=0.15)
    spectrum = np.abs(np.fft.rfft(heights * np.hanning(heights.size))) ** 2
    band = spectrum[900:1100]  # about 0.1 mm
    assert band.max() < 12.0 * band.mean()  # exponential: e^−12 · 200


# The delivered trace -------------------------------------------------------------------------------------------------

def options(**given_options: object) -> SimulatedConfig:
    return SimulatedConfig.model_validate({"ra_um": 0.55, "scatter_percent": 0.0, **given_options})


def ra_of(config: SimulatedConfig, part: int) -> float:
    """Ra by plain numpy and scipy.ndimage from the delivered counts: line off, Gaussian 0.8 mm, half of it off."""
    trace = simulate(config, part)
    z_um = trace.samples * config.resolution_um
    x_mm = np.arange(z_um.size) * trace.spacing_um / 1000.0
    z_um = z_um - np.polyval(np.polyfit(x_mm, z_um, 1), x_mm)
    sigma = 800.0 / trace.spacing_um * math.sqrt(math.log(2.0) / 2.0) / math.pi
    mean_line = scipy.ndimage.gaussian_filter1d(z_um, sigma, mode="reflect", truncate=8.0)
    half = round(400.0 / trace.spacing_um)
    return float(np.mean(np.abs((z_um - mean_line)[half:-half])))


@pytest.mark.parametrize("surface", ["turned", "milled", "ground", "honed", "lapped"])
@pytest.mark.parametrize("part", range(1, 5))
def test_the_delivered_trace_has_the_ra_asked_for(surface: str, part: int) -> None:
    """Ra is a norm, so it is off by no more than the Ra of everything that was added to the texture.

    Added: noise (σ√(2/π), 4 standard errors), half a count, what λc lets through of the waviness (three waves of
    half-heights 0.35, 0.1 and 0.05 of it, at the shortest length that each may have) and, near the ends, of the tilt
    and waviness mirrored there: a kink of slope s has a Gaussian mean line that is off by s·σ·√(2/π) = 0.15 s·λc at
    the kink and by less than 0.004 s·λc half a cut-off away. 2 % on top for the line taken off a finite texture.
    """
    config = options(surface=surface, seed=7)
    allowed = config.noise_um * math.sqrt(2.0 / math.pi) * 1.1 + 0.5 * config.resolution_um
    for share, stretch in ((0.7, 1.0), (0.2, 0.62), (0.1, 1.7)):
        length_mm = 0.9 * stretch * config.waviness_length_mm
        half_height = 0.5 * share * config.waviness_um
        allowed += half_height * (1.0 - 2.0 ** -((0.8 / length_mm) ** 2)) * 2.0 / math.pi
        allowed += half_height * 2.0 * math.pi / length_mm * 0.004 * 0.8
    assert ra_of(config, part) == pytest.approx(0.55, abs=allowed + 0.02 * 0.55)


@pytest.mark.parametrize("part", range(1, 5))
def test_crosslay_evaluates_what_was_asked_for(part: int) -> None:
    """The whole way: counts, calibration, line, λs 2.5 µm, λc 0.8 mm.

    λs takes a little of the fine texture away: at most the share of a first-order process's variance beyond 2.5 µm,
    (2/π)·λs/(2πL) = 2.5 % of the variance for L = 10 µm, less what the tip has already smoothed; hence 2 % of Ra.
    """
    ground_trace = simulate(options(surface="ground", ra_um=0.3, seed=7), part)
    assert evaluate(ground_trace, Settings(cutoff_mm=0.8)).parameters["Ra"] == pytest.approx(0.3, rel=0.025)
    turned_trace = simulate(options(seed=7), part)
    parameters = evaluate(turned_trace, Settings(cutoff_mm=0.8)).parameters
    assert parameters["Ra"] == pytest.approx(0.55, rel=0.01)
    # The feed marks are the profile's elements, so Rsm is the feed, but for the scatter of the first and last crossing:
    # 1 % of f by place; √2·5 % of Rt by depth and edge on a flank of slope f/(2√3 r), that is 0.433·7.1 % = 3.1 % of f.
    crossing = math.hypot(0.01, math.sqrt(3.0) / 4.0 * math.sqrt(2.0) * 0.05)
    assert parameters["Rsm"] == pytest.approx(0.1, rel=4.0 * math.sqrt(2.0) * crossing / 39)


def test_parts_scatter_as_asked() -> None:
    """ln Ra of 300 parts: standard deviation 5 %, within 4 standard errors s/√(2n) and 4 s/√n on the mean.

    Noise and waviness are off, so that nothing else scatters.
    """
    config = options(scatter_percent=5.0, length_mm=4.8, spacing_um=4.0, noise_um=0.0, waviness_um=0.0,
                     tilt_um_per_mm=0.0, tip_radius_um=0.0)
    logs = np.log([ra_of(config, part) / 0.55 for part in range(1, 301)])
    assert logs.std(ddof=1) == pytest.approx(0.05, abs=4.0 * 0.05 / math.sqrt(600))
    assert logs.mean() == pytest.approx(0.0, abs=4.0 * 0.05 / math.sqrt(300))


def test_without_ra_the_geometry_alone_counts() -> None:
    """f 0.1, r 0.4: Ra 0.804 µm of exact arcs; the tip of 2 µm rounds the cusps by less than 0.2 %."""
    config = SimulatedConfig.model_validate({"scatter_percent": 0.0, "feed_scatter_percent": 0.0, "noise_um": 0.0,
                                             "built_up_edge_percent": 0.0, "waviness_um": 0.0})
    assert ra_of(config, 1) == pytest.approx(0.80440, rel=0.01)


def test_tilt_is_what_was_asked() -> None:
    config = options(tilt_um_per_mm=-3.5)
    trace = simulate(config, 1)
    x_mm = np.arange(trace.points) * trace.spacing_um / 1000.0
    slope = np.polyfit(x_mm, trace.heights_um(), 1)[0]
    assert slope == pytest.approx(-3.5, abs=0.5)  # waviness and texture have slopes of their own, below 0.3 µm/mm


def test_noise_is_white_and_as_large_as_asked() -> None:
    """Second differences of a smooth surface leave 6σ² of white noise; a coarse, shallow arc is smooth."""
    config = SimulatedConfig.model_validate({
        "scatter_percent": 0.0, "feed_scatter_percent": 0.0, "built_up_edge_percent": 0.0, "noise_um": 0.05,
        "feed_mm": 0.01, "nose_radius_mm": 5.0, "waviness_um": 0.0, "tip_radius_um": 0.0, "resolution_um": 1e-4})
    z_um = simulate(config, 1).heights_um()
    second = np.diff(z_um, 2)
    assert second.var() / 6.0 == pytest.approx(0.05**2, rel=4.0 * math.sqrt(2.0 * 35.0 / 18.0 / second.size))


# Faults --------------------------------------------------------------------------------------------------------------

TRAVERSE = Traverse(texture=0.5 * np.random.default_rng(5).standard_normal(9601), rz_um=3.0, spacing_um=0.5,
                    speed_mm_s=0.5, range_um=100.0, noise_um=0.01, tip_radius_um=2.0)


def plain_trace(seed: int = 0) -> np.ndarray:
    return rng(seed).standard_normal(9601) * 0.5 + np.linspace(-5.0, 5.0, 9601)


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_no_strength_is_no_fault(name: str) -> None:
    heights = plain_trace()
    np.testing.assert_array_equal(FAULTS[name](heights, TRAVERSE, 0.0, rng()), heights)


@settings(max_examples=40, deadline=None)
@given(name=st.sampled_from(sorted(FAULTS)), seed=st.integers(0, 2**32), strength=st.floats(0, 10))
def test_a_fault_leaves_its_input_alone_and_gives_finite_heights(name: str, seed: int, strength: float) -> None:
    heights = plain_trace(seed)
    before = heights.copy()
    spoilt = FAULTS[name](heights, TRAVERSE, strength, rng(seed))
    np.testing.assert_array_equal(heights, before)
    assert np.isfinite(spoilt).all()
    assert 2 <= spoilt.size <= heights.size


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("strength", [0.5, 1.0, 2.0])
def test_rocking_tips_by_four_rz_and_leans_by_four_more(seed: int, strength: float) -> None:
    tipped = FAULTS["rocking"](np.zeros(9601), TRAVERSE, strength, rng(seed))
    start = int(np.argmax(tipped != 0.0))
    assert 0.34 < start / 9601 < 0.66
    assert not tipped[:start].any()
    assert abs(tipped[-1]) == pytest.approx(8.0 * strength * 3.0)
    jump = tipped[start + 192] - tipped[start]
    assert abs(jump) == pytest.approx(4.0 * strength * 3.0, rel=0.08)  # and 2 % of travel of the new slope


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("strength", [0.5, 1.0, 2.0])
def test_clipping_drives_its_share_beyond_the_range(seed: int, strength: float) -> None:
    spoilt = FAULTS["clipped"](plain_trace(), TRAVERSE, strength, rng(seed))
    assert np.mean(np.abs(spoilt) > 100.0) == pytest.approx(0.15 * strength, abs=2e-4)
    np.testing.assert_allclose(np.diff(spoilt), np.diff(plain_trace()), atol=1e-9)  # set down elsewhere, else the same


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("strength", [0.5, 1.0, 2.0])
def test_a_held_stylus_runs_flat(seed: int, strength: float) -> None:
    heights = plain_trace()
    spoilt = FAULTS["stuck"](heights, TRAVERSE, strength, rng(seed))
    held = np.flatnonzero(spoilt != heights)
    assert held.size == pytest.approx(0.25 * strength * 9601, abs=2)
    assert np.ptp(held) + 1 == held.size  # one run
    assert spoilt[held].std() < 0.0015


@pytest.mark.parametrize("strength", [0.5, 1.0, 1.5])
def test_a_short_traverse_is_the_beginning_of_the_whole_one(strength: float) -> None:
    heights = plain_trace()
    spoilt = FAULTS["short"](heights, TRAVERSE, strength, rng())
    assert spoilt.size == round(9601 * (1.0 - 0.5 * strength))
    np.testing.assert_array_equal(spoilt, heights[: spoilt.size])


def added(name: str, strength: float, seed: int = 1) -> np.ndarray:
    return FAULTS[name](plain_trace(), TRAVERSE, strength, rng(seed)) - plain_trace()


@pytest.mark.parametrize("strength", [0.5, 1.0, 2.0])
def test_what_each_fault_adds(strength: float) -> None:
    """In the words of the README: heights in Rz (3 µm), places and widths."""
    rz_um = TRAVERSE.rz_um
    step = added("jump", strength)
    assert abs(step[-1]) == pytest.approx(4.0 * strength * rz_um)
    assert np.count_nonzero(np.abs(np.diff(step)) > 1e-9) == 1
    lowered = added("set-down", strength)
    assert lowered[0] == pytest.approx(10.0 * strength * rz_um)
    assert lowered[240] == pytest.approx(lowered[0] / math.e)  # 0.12 mm by 0.5 µm
    sparks = added("spike", strength)
    assert np.count_nonzero(sparks) == 3
    assert np.abs(sparks).max() == pytest.approx(5.0 * strength * rz_um)
    vee = added("scratch", strength)
    assert vee.min() == pytest.approx(-3.0 * strength * rz_um, rel=0.02)
    assert 58 <= np.count_nonzero(vee < -1e-9) <= 60  # 30 µm by 0.5 µm
    gone = added("dropout", strength)
    assert 25 <= np.count_nonzero(gone) <= 30
    assert gone.min() >= -0.8 * strength * TRAVERSE.range_um - 1e-9
    assert added("noise", strength).std() == pytest.approx(strength * TRAVERSE.texture.std(), rel=0.03)


def test_hum_is_a_line_where_the_speed_puts_it() -> None:
    """50 Hz at 0.5 mm/s is λ = v/f = 10 µm: 20 samples; and a third of it at 150 Hz."""
    spectrum = 2.0 * np.abs(np.fft.rfft(added("hum", 1.0)[:9600])) / 9600
    assert spectrum[480] == pytest.approx(0.1 * 3.0, rel=1e-6)
    assert spectrum[1440] == pytest.approx(0.1, rel=1e-6)
    assert np.delete(spectrum, [480, 1440]).max() < 1e-9


def test_along_the_lay_swaps_the_texture() -> None:
    swapped = added("along-the-lay", 1.0) + TRAVERSE.texture
    assert swapped.std() == pytest.approx(0.125 * TRAVERSE.texture.std(), rel=1e-9)


def test_a_worn_tip_traces_like_a_large_one() -> None:
    """Twice dilated is dilated with both radii (Minkowski sum of disks), but for what falls between two samples."""
    surface = 0.3 * correlated(4001, 20.0, rng(8))
    once = traced(surface, 0.5, 2.0)
    traverse = Traverse(texture=once, rz_um=1.0, spacing_um=0.5, speed_mm_s=0.5, range_um=100.0, noise_um=0.0,
                        tip_radius_um=2.0)
    worn = FAULTS["tip-wear"](once, traverse, 1.0, rng())
    np.testing.assert_allclose(worn, traced(surface, 0.5, 22.0), atol=0.02)
    assert np.diff(worn).std() < 0.8 * np.diff(once).std()  # the valleys are gone, and with them the steep slopes


@pytest.mark.parametrize(("fault", "share"), [("clipped", 0.15), ("rocking", 0.0), ("stuck", 0.0)])
def test_only_a_clipped_trace_saturates(fault: str, share: float) -> None:
    for part in range(1, 21):
        planned = PlannedPart.model_validate({"part": part, "fault": fault})
        trace = simulate(options(), part, planned)
        assert trace.sample_range is not None
        low, high = trace.sample_range
        assert trace.samples.min() >= low
        assert trace.samples.max() <= high
        at_the_end = np.mean((trace.samples == low) | (trace.samples == high))
        assert at_the_end == pytest.approx(share, abs=0.002)


def test_a_fault_spoils_the_same_surface() -> None:
    """Up to where the stylus is held, the trace is that of the good part."""
    good = simulate(options(), 3)
    bad = simulate(options(), 3, PlannedPart.model_validate({"part": 3, "fault": "stuck"}))
    same = good.samples == bad.samples
    assert same[: 9601 // 4].all()
    assert not same.all()
