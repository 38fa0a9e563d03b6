"""Hum, noise, direction, cut-off and drive screw: numbers in the findings, and what must not be taken for them.

How often each is found, and that clean traces are quiet, is measured by tests/inspection/test_finding_campaign.py.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from campaign_counts import campaign_count
from crosslay.inspection.findings.hum import drive_screw, mains_hum
from crosslay.inspection.findings.lay import along_the_lay, cutoff_fit
from crosslay.inspection.findings.lines import spectrum
from crosslay.inspection.findings.noise import noise_floor, noise_rq_um
from crosslay.inspection.findings.subject import History, Subject
from crosslay.texture.evaluation import evaluate
from crosslay.texture.settings import Settings, Standard
from crosslay.texture.trace import Finding, Severity, Trace
from inspection_surfaces import _SHAPES as SHAPES
from inspection_surfaces import POINTS, SPACING_UM, Heights, clean, trace
from inspection_surfaces import _feed_marks as feed_marks

SETTINGS = Settings(cutoff_mm=0.8)
X_MM = np.arange(POINTS) * SPACING_UM / 1000.0
KNOWN_FEEDS = campaign_count("CROSSLAY_PLAUSIBILITY_TRACES", short=10, full=300)
CHECKS = (mains_hum, drive_screw, noise_floor, along_the_lay, cutoff_fit)


def subject_of(of: Trace, settings: Settings = SETTINGS, history: History | None = None) -> Subject:
    return Subject(trace=of, evaluation=evaluate(of, settings), history=history)


def marks(feed_mm: float, seed: int = 0) -> Heights:
    """Feed marks of 3 µm with a little noise."""
    rng = np.random.default_rng([61, seed])
    return 3.0 * feed_marks(X_MM, rng, feed_mm) + 0.005 * rng.standard_normal(POINTS)


def found(check, of: Trace, settings: Settings = SETTINGS) -> Finding:
    finding = check(subject_of(of, settings))
    assert finding is not None
    return finding


# --- lines -----------------------------------------------------------------------------------------------------------


def test_a_spectrum_gives_amplitude_and_variance() -> None:
    """A sine between two bins: its amplitude to the 0.6 % that a quarter of a bin costs (sinc), white noise: σ²."""
    rng = np.random.default_rng(62)
    for per_mm in (20.0, 33.333, 100.05, 400.0):
        seen = spectrum(0.7 * np.sin(2 * np.pi * per_mm * X_MM + 1.0) + 3.0 * X_MM, SPACING_UM)
        line = seen.line(per_mm, within=0.01)
        assert line is not None
        assert line.per_mm == pytest.approx(per_mm, abs=seen.per_bin_mm)
        assert line.amplitude_um == pytest.approx(0.7, rel=0.12)
    noise = spectrum(0.2 * rng.standard_normal(POINTS), SPACING_UM)
    assert noise.squares_um2[1:].mean() * noise.noise_share == pytest.approx(0.04, rel=0.06)


# --- mains hum -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("speed_mm_s", "hertz", "wavelength_um"),
    # Wavelengths v/f of page *reference-values*, section 14.
    [(0.5, 50.0, 10.0), (0.5, 60.0, 8.333), (1.0, 50.0, 20.0), (1.0, 60.0, 16.67)],
)
def test_hum_lies_at_speed_over_frequency(speed_mm_s: float, hertz: float, wavelength_um: float) -> None:
    heights = marks(0.11) + 0.1 * np.sin(2 * np.pi * X_MM * hertz / speed_mm_s)
    finding = found(mains_hum, trace(heights, speed_mm_s=str(speed_mm_s)))
    assert finding.severity is Severity.WARNING
    assert finding.evidence["wavelength_um"] == pytest.approx(wavelength_um, rel=0.01)
    assert finding.evidence["frequency_hz"] == pytest.approx(hertz, rel=0.01)
    assert finding.evidence["amplitude_um"] == pytest.approx(0.1, rel=0.15)
    assert f"{hertz:g} Hz" in finding.text
    assert "charger" in finding.text
    elsewhere = trace(heights, speed_mm_s=str(speed_mm_s * 1.07))
    assert mains_hum(subject_of(elsewhere)) is None, "at another speed the line is no mains"


@pytest.mark.parametrize("speed", ["", "fast", "nan", "-1", "0", "inf", "1e300", "1e-300"])
def test_without_a_speed_nothing_is_said_of_hum(speed: str) -> None:
    heights = marks(0.11) + 0.1 * np.sin(2 * np.pi * X_MM / 0.010)
    facts = {"speed_mm_s": speed} if speed else {}
    assert mains_hum(subject_of(trace(heights, **facts))) is None


@pytest.mark.parametrize("order", [1, 2, 3, 4, 5, 8, 10])
def test_an_overtone_of_the_feed_is_no_hum(order: int) -> None:
    """10 µm or 20 µm are just a multiple of such a feed's frequency; so is the feed itself (fine turning)."""
    for seed, (speed_mm_s, wavelength_mm) in enumerate([(0.5, 0.010), (1.0, 0.020)]):
        of = trace(marks(order * wavelength_mm, seed), speed_mm_s=str(speed_mm_s))
        assert mains_hum(subject_of(of)) is None


def test_hum_that_stands_on_an_overtone_is_found_where_it_is_far_larger() -> None:
    heights = marks(0.1) + 0.2 * np.sin(2 * np.pi * X_MM / 0.010)  # the tenth overtone of arcs is a hundredth
    assert found(mains_hum, trace(heights, speed_mm_s="0.5")).id == "mains-hum"


# --- noise -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["turned", "ground-coarse", "honed"])
def test_noise_is_estimated_to_a_tenth(kind: str) -> None:
    """Rq0 after λs: σ² ∫ 2^−2(λs·f)² df over the band, by numerical integration (ISO 16610-21)."""
    per_um = np.linspace(0.0, 1.0, 20001)  # up to half the sampling rate at 0.5 µm
    passed = float(np.mean(np.exp2(-2.0 * (2.5 * per_um) ** 2)))
    rng = np.random.default_rng(63)
    for _ in range(5):
        surface = clean(kind, rng, rz_um=3.0)
        of = trace(surface.heights + 0.3 * rng.standard_normal(POINTS))
        assert noise_rq_um(subject_of(of)) == pytest.approx(0.3 * math.sqrt(passed), rel=0.12)


def test_the_text_states_the_quadratic_effect() -> None:
    """Rq² = texture² + Rq0²: with a share s the texture's Rq is smaller by √(1 − s²)."""
    of = trace(marks(0.11), rq0_um="0.4")
    finding = found(noise_floor, of)
    rq_um = float(np.median(subject_of(of).evaluation.sections["Rq"]))
    share = 0.4 / rq_um
    assert finding.evidence["share_percent"] == pytest.approx(100 * share)
    assert f"{100 * (1 / math.sqrt(1 - share**2) - 1):.2g} %" in finding.text
    assert noise_floor(subject_of(trace(marks(0.11), rq0_um=f"{0.19 * rq_um:.6f}"))) is None


def test_a_jump_a_spike_and_a_coarse_spacing_are_no_noise() -> None:
    jumped = marks(0.11)
    jumped[5000:] += 20.0
    spiked = marks(0.11)
    spiked[5000] += 50.0
    for heights in (jumped, spiked):
        assert noise_floor(subject_of(trace(heights))) is None
    rng = np.random.default_rng(64)
    coarse = Trace(samples=rng.standard_normal(3201), spacing_um=1.5)
    assert noise_rq_um(subject_of(coarse)) is None, "the surface itself may reach the end of this spectrum"


# --- along the lay ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("shortest_mm", "longest_mm"), [(0.06, 0.15), (0.15, 0.4)])
def test_across_its_marks_a_surface_shows_its_feed(shortest_mm: float, longest_mm: float) -> None:
    """Feeds are never exact: 3 % off here; with spikes, jumps and chatter it is still no trace along the lay."""
    rng = np.random.default_rng(65)
    for index in range(KNOWN_FEEDS):
        feed_mm = rng.uniform(shortest_mm, longest_mm)
        heights = marks(feed_mm, index) + rng.uniform(0.0, 1.5) * np.sin(2 * np.pi * X_MM / rng.uniform(0.5, 3.0))
        heights[rng.integers(0, POINTS, 3)] += rng.uniform(-15.0, 15.0, 3)
        heights[int(rng.integers(3000, 6000)) :] += rng.uniform(-6.0, 6.0)
        assert along_the_lay(subject_of(trace(heights, feed_mm=f"{feed_mm * rng.uniform(0.97, 1.03):.4g}"))) is None


def test_another_feed_is_not_another_direction() -> None:
    assert along_the_lay(subject_of(trace(marks(0.2), feed_mm="0.12"))) is None


def test_a_surface_without_marks_is_invalid_where_they_are_known() -> None:
    rng = np.random.default_rng(66)
    of = clean("ground", rng).heights
    finding = found(along_the_lay, trace(of, feed_mm="0.12"))
    assert finding.severity is Severity.INVALID
    assert "0.12 mm" in finding.text
    assert along_the_lay(subject_of(trace(of))) is None
    for feed_mm in ("5", "0.001", "x"):  # beyond the filters, or no feed
        assert along_the_lay(subject_of(trace(of, feed_mm=feed_mm))) is None


@pytest.mark.parametrize(
    ("ra_factor", "rsm_factor", "is_named"),
    [(1.0, 1.0, False), (0.6, 5.0, False), (0.3, 1.0, False), (1.0, 5.0, False), (0.3, 5.0, True), (0.1, 1.0, True)],
)
def test_earlier_values_tell_only_what_is_far_from_them(ra_factor: float, rsm_factor: float, is_named: bool) -> None:
    of = trace(marks(0.11))
    parameters = evaluate(of, SETTINGS).parameters
    ra_um, rsm_mm = parameters["Ra"], parameters["Rsm"]
    assert ra_um is not None
    assert rsm_mm is not None
    rng = np.random.default_rng(67)
    history = History(values={"Ra": tuple(ra_um / ra_factor * rng.lognormal(0, 0.05, 25)),
                              "Rsm": tuple(rsm_mm / rsm_factor * rng.lognormal(0, 0.05, 25))})
    finding = along_the_lay(subject_of(of, history=history))
    assert (finding is not None) is is_named
    assert finding is None or finding.severity is Severity.WARNING
    few = History(values={symbol: values[:19] for symbol, values in history.values.items()})
    assert along_the_lay(subject_of(of, history=few)) is None


# --- cut-off ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("feed_mm", "standard", "identifier"),
    # ISO 4288:1996, table 3: λc = 0.8 mm for RSm above 0.13 and up to 0.4 mm (page *reference-values*, section 1.1).
    [(0.3, Standard.ISO_21920, None), (0.39, Standard.ISO_21920, None), (0.5, Standard.ISO_21920, "cutoff-too-short"),
     (0.08, Standard.ISO_21920, None), (0.08, Standard.ISO_4287, "cutoff-too-long"), (0.2, Standard.ISO_4287, None)],
)
def test_the_cut_off_goes_with_the_spacing(feed_mm: float, standard: Standard, identifier: str | None) -> None:
    finding = cutoff_fit(subject_of(trace(marks(feed_mm)), Settings(cutoff_mm=0.8, standard=standard)))
    assert (finding.id if finding else None) == identifier
    if finding is not None:
        assert finding.evidence["spacing_mm"] == pytest.approx(feed_mm, rel=0.06)


# --- drive screw -----------------------------------------------------------------------------------------------------


def test_the_screw_is_found_where_its_pitch_is_known() -> None:
    heights = marks(0.11) + 0.8 * np.sin(2 * np.pi * X_MM / 0.5)
    finding = found(drive_screw, trace(heights, screw_pitch_mm="0.5"))
    assert finding.evidence["wavelength_mm"] == pytest.approx(0.5, rel=0.05)
    assert drive_screw(subject_of(trace(heights))) is None
    assert drive_screw(subject_of(trace(marks(0.25), screw_pitch_mm="0.25"))) is None, "the feed that is the pitch"


# --- whatever comes --------------------------------------------------------------------------------------------------

FACTS = {"speed_mm_s": "0.5", "feed_mm": "0.1", "screw_pitch_mm": "0.5"}


@pytest.mark.parametrize("kind", sorted(SHAPES))
@pytest.mark.parametrize(("points", "spacing_um", "cutoff_mm"), [(9601, 0.5, 0.8), (600, 1.0, 0.08), (97, 50.0, 0.8)])
def test_no_shape_of_trace_is_an_error(kind: str, points: int, spacing_um: float, cutoff_mm: float) -> None:
    shape = SHAPES[kind](np.arange(9601) * SPACING_UM / 1000.0, np.random.default_rng(68))[:points]
    for heights in (shape, np.zeros(points), 0.25 * np.arange(points)):
        of = Trace(samples=heights, spacing_um=spacing_um, facts=FACTS)
        subject = subject_of(of, Settings(cutoff_mm=cutoff_mm, short_cutoff_um=None))
        for check in CHECKS:
            finding = check(subject)
            assert finding is None or all(math.isfinite(value) for value in finding.evidence.values())
