"""Closed forms of the specimen shapes of ISO 5436-1 types C1 to C4 (reference values, section 6, computed).

A whole number of periods fits the section, and the profile is evaluated unfiltered, so that only sampling separates the
numbers from the closed forms.
"""

from __future__ import annotations

import numpy as np
import pytest

from crosslay.texture import FilterKind, Settings, Standard, Trace, evaluate

PITCH_UM = 100.0
SPACING_UM = 0.05  # 2000 samples to a period
UNFILTERED = Settings(
    cutoff_mm=0.2, filter=FilterKind.NONE, short_cutoff_um=None, form="none", sections=5, standard=Standard.ISO_21920
)


def _evaluated(shape):
    phase = ((np.arange(20_000) + 0.5) * SPACING_UM / PITCH_UM) % 1.0
    return evaluate(Trace(samples=shape(phase), spacing_um=SPACING_UM), UNFILTERED).parameters


def _sine(phase):
    return 3.0 * np.sin(2 * np.pi * phase)


def _triangle(phase):
    return 3.0 * (4 * np.abs(phase - 0.5) - 1)


def _sawtooth(phase):
    return 3.0 * (2 * phase - 1)


def _square(phase):
    return np.where(phase < 0.5, 3.0, -3.0)


def _arcs(phase):
    return 6.0 * ((2 * phase - 1) ** 2 - 1 / 3)  # cusps up, height h = 6


def _rectified(phase):
    return 6.0 * (np.sin(np.pi * phase) - 2 / np.pi)


ROOT5 = np.sqrt(5.0)
CLOSED_FORMS = [
    # shape, Ra, Rq, Rp, Rv, Rt, Rsk, Rku; A = 3 µm (half height) or h = 6 µm (height)
    (_sine, 2 * 3 / np.pi, 3 / np.sqrt(2), 3, 3, 6, 0, 1.5),
    (_triangle, 1.5, 3 / np.sqrt(3), 3, 3, 6, 0, 1.8),
    (_sawtooth, 1.5, 3 / np.sqrt(3), 3, 3, 6, 0, 1.8),
    (_square, 3, 3, 3, 3, 6, 0, 1),
    (_arcs, 4 * 6 / (9 * np.sqrt(3)), 2 * 6 / (3 * ROOT5), 2 * 6 / 3, 6 / 3, 6, 2 * ROOT5 / 7, 15 / 7),
    (_rectified, 0.2680343 * 6, 0.3077585 * 6, 0.3633802 * 6, 0.6366198 * 6, 6, -0.4971600, 1.9315349),
]


@pytest.mark.parametrize(("shape", "ra", "rq", "rp", "rv", "rt", "rsk", "rku"), CLOSED_FORMS)
def test_heights_of_the_specimen_shapes(shape, ra, rq, rp, rv, rt, rsk, rku):
    found = _evaluated(shape)
    assert found["Ra"] == pytest.approx(ra, rel=2e-6)
    assert found["Rq"] == pytest.approx(rq, rel=2e-6)
    # the extreme of a cusp or slope lies between two samples: half a spacing of 1/2000 period at 4A per period and more
    assert found["Rp"] == pytest.approx(rp, abs=0.012)
    assert found["Rv"] == pytest.approx(rv, abs=0.012)
    assert found["Rt"] == pytest.approx(rt, abs=0.02)
    assert found["Rz"] == pytest.approx(found["Rt"], abs=1e-9)
    assert found["Rzx"] == pytest.approx(found["Rt"], abs=1e-9)
    assert found["Rsk"] == pytest.approx(rsk, abs=2e-5)
    assert found["Rku"] == pytest.approx(rku, rel=1e-5)


@pytest.mark.parametrize("shape", [row[0] for row in CLOSED_FORMS])
def test_spacing_of_the_specimen_shapes_is_their_pitch(shape):
    """Reference values, section 6: RSm = λ for all."""
    found = _evaluated(shape)
    assert found["Rsm"] == pytest.approx(PITCH_UM / 1000, rel=1e-6)
    assert found["Rpc"] == pytest.approx(10_000 / PITCH_UM, rel=1e-6)
    assert found["Rc"] == pytest.approx(found["Rt"], abs=1e-9)


def test_a_sinusoidal_specimen_of_ra_3():
    """Reference values, section 6: Ra 3.00 µm, λ 100 µm gives A 4.712389, Rq 3.332162, Rz 9.424778 (computed)."""
    phase = np.arange(128_001) * 0.05 / PITCH_UM  # 8 cut-offs: the weights lie wholly on the trace in the whole window
    z = 4.712389 * np.sin(2 * np.pi * phase)
    found = evaluate(Trace(samples=z, spacing_um=0.05), Settings(cutoff_mm=0.8, short_cutoff_um=None)).parameters
    transmission = 1 - 2 ** -((0.8 / 0.1) ** 2)  # of the λc filter: 1 to 19 digits
    assert found["Ra"] == pytest.approx(3.0 * transmission, rel=1e-5)
    assert found["Rq"] == pytest.approx(3.332162 * transmission, rel=1e-5)
    assert found["Rz"] == pytest.approx(9.424778 * transmission, rel=1e-5)


@pytest.mark.parametrize(
    ("feed_mm", "radius_mm", "rt_um", "ra_um"),
    [
        (0.10, 0.4, 3.13730, 0.80440),
        (0.10, 0.8, 1.56403, 0.40125),
        (0.20, 0.8, 6.27460, 1.60879),
        (0.25, 0.8, 9.82596, 2.51822),
        (0.30, 1.2, 9.41190, 2.41319),
        (0.40, 0.8, 25.4033, 6.49724),
    ],
)
def test_turned_arcs_of_a_round_nose(feed_mm, radius_mm, rt_um, ra_um):
    """Reference values, section 11 (computed): exact arcs of a nose of radius r at feed f."""
    per_feed = 4000
    u = ((np.arange(20 * per_feed) + 0.5) / per_feed) % 1.0 - 0.5
    z = 1000 * (radius_mm - np.sqrt(radius_mm**2 - (u * feed_mm) ** 2))
    settings = Settings(cutoff_mm=4 * feed_mm, filter=FilterKind.NONE, short_cutoff_um=None, form="line", sections=5)
    found = evaluate(Trace(samples=z, spacing_um=1000 * feed_mm / per_feed), settings).parameters
    assert found["Rt"] == pytest.approx(rt_um, rel=1e-3)  # the cusp lies half a sample beyond
    assert found["Ra"] == pytest.approx(ra_um, rel=1e-5)
    assert found["Rsm"] == pytest.approx(feed_mm, rel=1e-5)
