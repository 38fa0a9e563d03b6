"""What a smaller tip would have given, against the truth: surfaces that both tips trace.

Every surface here is known, so its trace by either tip is a dilation done by scipy (grey dilation by a disk; an
independent implementation), and what `evaluate` gives of the smaller tip's trace must lie within the certain bounds.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import grey_dilation

from crosslay.errors import SettingsError
from crosslay.texture import FilterKind, Settings, Standard, Trace, evaluate
from crosslay.texture.tip import tip_radius_um
from crosslay.texture.tip_values import SYMBOLS, smaller_tip_values
from synthetic_surfaces import surface

DX_UM = 0.5
POINTS = 1000


def traced(surface_um, radius_um):
    """The trace of a ball: dilation by a disk that hangs down from its apex."""
    steps = math.floor(radius_um / DX_UM)
    x = np.arange(-steps, steps + 1) * DX_UM
    structure = np.sqrt(radius_um**2 - x**2) - radius_um
    return grey_dilation(surface_um, structure=structure, mode="constant", cval=-np.inf)


def compared(surface_um, wanted, *, radius_um=5.0, smaller_um=2.0):
    trace = Trace(samples=traced(surface_um, radius_um), spacing_um=DX_UM, facts={"tip_radius_um": str(radius_um)})
    bounds = smaller_tip_values(trace, evaluate(trace, wanted), wanted, smaller_radius_um=smaller_um)
    truth = evaluate(Trace(samples=traced(surface_um, smaller_um), spacing_um=DX_UM), wanted).parameters
    return bounds, truth


@settings(max_examples=25, deadline=None)
@given(
    standard=st.sampled_from(list(Standard)),
    pitch_um=st.floats(25.0, 60.0),
    share=st.floats(0.2, 0.9),
    seed=st.integers(0, 99),
    short=st.sampled_from([None, 2.5, 5.0]),
    slope=st.floats(-0.05, 0.05),
)
def test_the_smaller_tips_values_lie_within_the_certain_bounds(standard, pitch_um, share, seed, short, slope):
    """A wave whose valleys the larger tip still reaches (radius of curvature λ²/(4π²a) above 5 µm), with noise."""
    x = np.arange(POINTS) * DX_UM
    amplitude_um = share * pitch_um**2 / (4 * np.pi**2 * 5.0)
    noise = np.convolve(np.random.default_rng(seed).standard_normal(POINTS + 60), np.hanning(61) / 30.0, mode="valid")
    z = amplitude_um * np.sin(2 * np.pi * x / pitch_um) + 0.02 * amplitude_um * noise + slope * x
    wanted = Settings(standard=standard, cutoff_mm=0.08, short_cutoff_um=short)
    bounds, truth = compared(z, wanted)
    # The page's bounds leave out the ends, whose share in the mean line is below a thousandth of the height.
    slack = bounds.resolution_um + 2e-3 * truth["Rt"]
    assert set(bounds.at_least_um) == {name for name in SYMBOLS if name in truth}
    for name, least in bounds.at_least_um.items():
        if least is not None:
            assert least - slack <= truth[name] <= bounds.at_most_um[name] + slack, name
        else:
            assert "touched nothing" in bounds.undefined[name]


def test_the_bounds_of_a_gentle_wave_are_near():
    z = 0.5 * np.sin(2 * np.pi * np.arange(POINTS) * DX_UM / 50.0)
    bounds, truth = compared(z, Settings(cutoff_mm=0.08, short_cutoff_um=None))
    for name in ("Ra", "Rq", "Rz", "Rt"):
        assert bounds.at_least_um[name] == pytest.approx(truth[name], rel=0.04)
        assert bounds.at_most_um[name] == pytest.approx(truth[name], rel=0.04)
    assert bounds.undefined == {}
    assert bounds.findings == ()


def test_a_narrow_groove_has_no_certain_depth():
    """A ball of 5 µm bridges a groove of 3 µm; no bound of a value may pretend to know what is in it."""
    z = 0.3 * np.sin(2 * np.pi * np.arange(POINTS) * DX_UM / 50.0)
    z[500:506] -= 4.0
    bounds, _ = compared(z, Settings(cutoff_mm=0.08, short_cutoff_um=None), smaller_um=0.0)
    assert set(bounds.at_least_um.values()) == set(bounds.at_most_um.values()) == {None}
    assert all("the trace cannot say" in reason for reason in bounds.undefined.values())
    assert set(bounds.undefined) == set(bounds.at_least_um)
    # The height of what is certain: crest to shallowest bottom, below the true height.
    assert 0.5 <= bounds.total_height_um <= z.max() - z.min()


def test_the_shallowest_surface_gives_the_same_trace_and_is_no_rougher_than_the_truth():
    z = surface("honed", POINTS, DX_UM, 3) * 3.0
    bounds, truth = compared(z, Settings(cutoff_mm=0.08))
    assert bounds.shallowest_um["Rt"] <= truth["Rt"] * 1.05
    assert bounds.excess_um == pytest.approx(0.0, abs=1e-9)


def test_spikes_that_no_such_tip_can_trace_are_said():
    z = traced(0.5 * np.sin(2 * np.pi * np.arange(POINTS) * DX_UM / 50.0), 5.0)
    z[480] += 2.0
    trace = Trace(samples=z, spacing_um=DX_UM, facts={"tip_radius_um": "5"})
    wanted = Settings(cutoff_mm=0.08)
    (finding,) = smaller_tip_values(trace, evaluate(trace, wanted), wanted, smaller_radius_um=2.0).findings
    assert finding.id == "above-tip-reach"
    assert finding.evidence["excess_um"] == pytest.approx(2.0, abs=0.1)


@pytest.mark.parametrize(("change", "word"), [
    ({"filter": FilterKind.ROBUST}, "gaussian"), ({"filter": FilterKind.TWO_RC_ZERO_PHASE, "sections": 3}, "gaussian"),
    ({"form": "polynomial:3"}, "form line"), ({"form": "arc"}, "form line"),
])
def test_where_filters_do_not_keep_the_order_nothing_is_called_certain(change, word):
    z = 0.3 * np.sin(2 * np.pi * np.arange(POINTS) * DX_UM / 50.0)
    bounds, _ = compared(z, Settings(cutoff_mm=0.08, **change))
    assert all(word in reason for reason in bounds.undefined.values())
    assert set(bounds.undefined) == set(bounds.shallowest_um)
    assert None not in bounds.shallowest_um.values()


@pytest.mark.parametrize("said", ["", "abc", "0", "-2", "nan", "inf"])
def test_a_tip_that_is_not_known_is_none(said):
    trace = Trace(samples=np.zeros(9), spacing_um=1.0, facts={"tip_radius_um": said} if said else {})
    assert tip_radius_um(trace) is None
    wave = Trace(samples=np.sin(np.arange(POINTS) / 9), spacing_um=DX_UM, facts=trace.facts)
    wanted = Settings(cutoff_mm=0.08)
    found = evaluate(wave, wanted)
    assert not [finding for finding in found.findings if finding.id.startswith(("tip", "no-short"))]
    with pytest.raises(SettingsError, match="does not say what tip"):
        smaller_tip_values(wave, found, wanted, smaller_radius_um=1.0)
