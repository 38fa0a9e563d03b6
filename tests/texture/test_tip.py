"""Tip-size question: bounds hold for every surface, reference values of λs, tip and spacing."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from crosslay.errors import SettingsError, TraceError
from crosslay.texture.tip import shortest_followed_wavelength_um, smaller_tip_bounds, tip_findings
from crosslay.texture.trace import Severity
from synthetic_surfaces import SURFACES, surface


def _trace(surface_um, spacing_um, radius_um):
    """What a ball of that radius traces on a surface of samples, by scipy.ndimage."""
    steps = math.floor(radius_um / spacing_um + 1e-9)
    x = np.arange(-steps, steps + 1) * spacing_um
    disk = np.sqrt(np.maximum(radius_um**2 - x**2, 0)) - radius_um
    walls = np.pad(surface_um, steps, constant_values=-1e12)
    return ndimage.grey_dilation(walls, structure=disk)[steps : steps + surface_um.size]


@settings(max_examples=80, deadline=None)
@given(
    name=st.sampled_from(sorted(SURFACES)),
    points=st.integers(30, 500),
    spacing_um=st.sampled_from([0.25, 0.5, 1.5]),
    tip_um=st.sampled_from([1.0, 2.0, 5.0, 10.0]),
    share=st.sampled_from([0.0, 0.2, 0.5, 1.0]),
    scale=st.sampled_from([0.1, 1.0, 10.0]),
    holes=st.integers(0, 4),
    seed=st.integers(0, 2**32 - 1),
)
def test_the_smaller_tips_trace_lies_between_the_bounds(name, points, spacing_um, tip_um, share, scale, holes, seed):
    # The surface goes on beyond both ends of the trace, as a real one does.
    beyond = math.ceil(tip_um / spacing_um) + 1
    truth = scale * surface(name, points + 2 * beyond, spacing_um, seed)
    rng = np.random.default_rng(seed)
    for at in rng.integers(0, truth.size, holes):
        truth[at : at + 3] -= 20.0
    inside = slice(beyond, beyond + points)
    trace = _trace(truth, spacing_um, tip_um)[inside]
    finer = _trace(truth, spacing_um, share * tip_um)[inside]
    bounds = smaller_tip_bounds(trace, spacing_um, tip_um, share * tip_um)
    assert (finer <= bounds.highest_um + 1e-9).all()
    assert (finer >= bounds.lowest_um - 1e-9).all()
    assert (bounds.highest_um <= trace + 1e-9).all()
    assert (bounds.lowest_um <= bounds.highest_um + 1e-9).all()
    assert 0 <= bounds.touched_share_percent <= 100


def test_a_surface_that_the_tip_followed_is_known_exactly():
    # Gentle enough for the tip to touch every sample: both bounds meet at the truth
    x = np.arange(2000) * 0.5
    truth = 0.2 * np.sin(2 * np.pi * x / 120.0)
    bounds = smaller_tip_bounds(_trace(truth, 0.5, 5.0), 0.5, 5.0, 0.0)
    inside = slice(20, -20)
    np.testing.assert_allclose(bounds.highest_um[inside], truth[inside], rtol=0, atol=1e-9)
    np.testing.assert_allclose(bounds.lowest_um[inside], truth[inside], rtol=0, atol=1e-9)
    assert bounds.touched_share_percent > 98
    assert bounds.excess_um == pytest.approx(0.0, abs=1e-12)


def test_a_crack_that_the_tip_bridged_has_no_known_floor():
    truth = np.zeros(400)
    truth[200:204] = -7.0
    trace = _trace(truth, 0.5, 5.0)
    bounds = smaller_tip_bounds(trace, 0.5, 5.0, 0.5)
    assert np.isneginf(bounds.lowest_um[201:203]).all()
    # Over sample 202 the tip of 5 µm hangs from the edge at sample 204, 1 µm away; the truth may reach up to its path.
    assert bounds.highest_um[202] == pytest.approx(-(5 - math.sqrt(25 - 1.0)), abs=1e-12)
    assert np.isfinite(bounds.lowest_um[30:190]).all()
    assert bounds.touched_share_percent < 100


def test_the_same_tip_gives_the_trace_itself():
    z = _trace(surface("eroded", 600, 0.5, 1), 0.5, 5.0)
    bounds = smaller_tip_bounds(z, 0.5, 5.0, 5.0)
    np.testing.assert_allclose(bounds.highest_um[20:-20], z[20:-20], rtol=0, atol=1e-12)


def test_a_spike_sharper_than_the_tip_shows_as_excess():
    z = np.zeros(300)
    z[150] = 3.0
    bounds = smaller_tip_bounds(z, 0.5, 5.0, 2.0)
    # Between its neighbours at height 0 a tip of 5 µm can have touched a point no higher than its own sag over 0.5 µm.
    possible_um = 5 - math.sqrt(25 - 0.25)
    assert bounds.excess_um == pytest.approx(3.0 - possible_um)
    assert bounds.highest_um[150] == pytest.approx(possible_um)


def test_resolution_is_the_sag_over_half_a_spacing():
    assert smaller_tip_bounds(np.zeros(10), 0.5, 2.0, 1.0).resolution_um == pytest.approx(0.25 / 16)


@pytest.mark.parametrize("points", [1, 2, 5])
def test_a_trace_shorter_than_the_tip_is_certain_of_nothing(points):
    bounds = smaller_tip_bounds(np.arange(points) * 0.1, 0.5, 5.0, 2.0)
    assert bounds.touched_share_percent == 0.0
    assert np.isneginf(bounds.lowest_um).all()
    assert np.isfinite(bounds.highest_um).all()


def test_bounds_move_with_the_trace():
    z = _trace(surface("scratched", 500, 0.5, 1), 0.5, 5.0)
    plain, lifted = smaller_tip_bounds(z, 0.5, 5.0, 2.0), smaller_tip_bounds(z + 250.0, 0.5, 5.0, 2.0)
    np.testing.assert_allclose(lifted.highest_um - 250.0, plain.highest_um, rtol=0, atol=1e-10)
    backward = smaller_tip_bounds(z[::-1], 0.5, 5.0, 2.0)
    np.testing.assert_allclose(backward.highest_um[::-1], plain.highest_um, rtol=0, atol=1e-12)
    assert (backward.lowest_um[::-1] == pytest.approx(plain.lowest_um, abs=1e-9)) is True


@pytest.mark.parametrize(
    ("z", "tip_um", "smaller_um", "error", "says"),
    [
        ([0.0, np.nan], 5.0, 2.0, TraceError, "height 1 of the profile is nan"),
        ([0.0, 1.0], 0.0, 0.0, SettingsError, "the tip radius is 0.0 µm"),
        ([0.0, 1.0], 5.0, 6.0, SettingsError, "between 0 and the 5.0 µm"),
        ([0.0, 1.0], 5.0, -1.0, SettingsError, "between 0 and the 5.0 µm"),
        ([0.0, 1.0], 5.0, np.nan, SettingsError, "between 0 and the 5.0 µm"),
    ],
)
def test_what_cannot_be_asked_is_refused(z, tip_um, smaller_um, error, says):
    with pytest.raises(error, match=says):
        smaller_tip_bounds(np.array(z), 0.5, tip_um, smaller_um)


@pytest.mark.parametrize(
    ("short_cutoff_um", "tip_um", "spacing_um"),
    [(2.5, 2.0, 0.5), (8.0, 5.0, 1.5), (25.0, 10.0, 5.0), (2.5, 1.0, 0.1), (100.0, 10.0, 5.0)],
)
def test_the_rows_of_the_table_suit(short_cutoff_um, tip_um, spacing_um):
    # ISO 3274:1996 table 1 (from memory): λs 2.5/8/25 µm with tips of 2/5/10 µm and spacings of 0.5/1.5/5 µm
    assert tip_findings(tip_um, spacing_um, short_cutoff_um) == ()


@pytest.mark.parametrize(
    ("short_cutoff_um", "tip_um", "spacing_um", "expected"),
    [
        (2.5, 5.0, 0.5, {"tip-too-large"}),
        (2.5, 2.0, 0.51, {"spacing-too-wide"}),
        (2.5, 10.0, 1.5, {"tip-too-large", "spacing-too-wide"}),
        (7.9, 5.0, 0.5, {"tip-too-large"}),  # a λs between two rows is held to the finer one
        (8.0, 5.1, 1.5, {"tip-too-large"}),
        (25.0, 10.0, 5.1, {"spacing-too-wide"}),
        (0.8, 2.0, 0.1, {"short-cutoff-below-table"}),
    ],
)
def test_what_lies_beyond_the_table_is_a_warning(short_cutoff_um, tip_um, spacing_um, expected):
    findings = tip_findings(tip_um, spacing_um, short_cutoff_um)
    assert {finding.id for finding in findings} == expected
    for finding in findings:
        assert finding.severity is Severity.WARNING
        assert finding.evidence["tip_radius_um"] == tip_um
        assert finding.evidence["short_cutoff_um"] == short_cutoff_um


@pytest.mark.parametrize(
    ("tip_um", "ra_um", "rz_um", "severity"),
    [
        # ISO 3274:1996 table 1 note 1 (from memory): a 5 µm tip will do where Ra > 0.5 µm or Rz > 3 µm
        (5.0, 0.51, None, Severity.INFO),
        (5.0, None, 3.1, Severity.INFO),
        (5.0, 0.5, 3.0, Severity.WARNING),
        (10.0, 5.0, 30.0, Severity.WARNING),
    ],
)
def test_a_coarse_surface_forgives_a_five_micrometre_tip(tip_um, ra_um, rz_um, severity):
    (finding,) = tip_findings(tip_um, 0.5, 2.5, ra_um=ra_um, rz_um=rz_um)
    assert finding.id == "tip-too-large"
    assert finding.severity is severity


def test_without_an_s_filter_the_tip_is_the_limit():
    (finding,) = tip_findings(2.0, 0.5, None)
    assert finding.id == "no-short-cutoff"
    assert finding.severity is Severity.INFO


@pytest.mark.parametrize("values", [(0.0, 0.5, 2.5), (2.0, np.nan, 2.5), (2.0, 0.5, -1.0)])
def test_findings_need_numbers_above_0(values):
    with pytest.raises(SettingsError, match="must be a number above 0"):
        tip_findings(*values)


def test_the_shortest_followed_wavelength_is_where_the_valley_is_as_round_as_the_tip():
    wavelength_um = shortest_followed_wavelength_um(0.5, 2.0)
    # radius at the trough of a·sin(2πx/λ): λ²/(4π²a)
    assert wavelength_um**2 / (4 * math.pi**2 * 0.5) == pytest.approx(2.0)
    x = np.arange(20_000) * 0.005
    for factor, followed in ((1.1, True), (0.8, False)):
        truth = 0.5 * np.sin(2 * np.pi * x / (factor * wavelength_um))
        known = smaller_tip_bounds(_trace(truth, 0.005, 2.0), 0.005, 2.0, 0.0)
        lost = np.abs(known.highest_um - truth)[2000:-2000].max()
        assert (lost < 1e-4) == followed
