"""Every value that the page *texture* defines to the digit, against a slow evaluation written from the page alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from brute_cases import GRIDS, Case, differing
from crosslay.texture import Trace
from crosslay.texture.grid import even_heights
from reference import brute_core, brute_evaluation
from synthetic_surfaces import SURFACES


@st.composite
def cases(draw, filters, most):
    cutoff_mm, spacing_um = draw(st.sampled_from(GRIDS))
    filter_name = draw(st.sampled_from(filters))
    section = int(cutoff_mm * 1000 / spacing_um + 0.5)
    runs = {"2rc": 2.0, "2rc-zero-phase": 2.0, "none": 0.0}.get(filter_name, 1.0)
    sections = draw(st.integers(1, max(1, min(10, int(most / section - runs)))))
    form = draw(st.sampled_from(["line", "line", "none", "polynomial:2", "polynomial:5", "polynomial:12", "arc"]))
    return Case(
        name=draw(st.sampled_from(sorted(SURFACES))),
        points=int((sections + runs) * section) + draw(st.integers(-3, 40)),
        spacing_um=spacing_um,
        seed=draw(st.integers(0, 2**32 - 1)),
        offset_um=draw(st.sampled_from([0.0, 3.0, 1e4])),
        tilt=draw(st.sampled_from([0.0, 0.002, -0.02])),
        bow_um=20.0 if form == "arc" else draw(st.sampled_from([0.0, 20.0])),
        wanted=brute_evaluation.Wanted(
            standard=draw(st.sampled_from(["iso-21920", "iso-21920", "iso-4287", "asme-b46.1", "jis-b-0601"])),
            filter=filter_name,
            cutoff_mm=cutoff_mm,
            short_cutoff_um=draw(st.sampled_from([None, 2.5, 8.0, 25.0])),
            waviness_cutoff_mm=draw(st.sampled_from([None, None, 3.0 * cutoff_mm])),
            sections=sections,
            form=form,
        ),
    )


@settings(max_examples=12, deadline=None)
@given(cases(("gaussian", "2rc", "2rc-zero-phase", "valley-suppressing", "none"), 500))
def test_every_value_agrees(case):
    assert differing(case, 1e-6) == {}


@settings(max_examples=3, deadline=None)
@given(cases(("spline",), 350))
def test_every_value_agrees_with_the_spline(case):
    assert differing(case, 1e-6) == {}


@settings(max_examples=3, deadline=None)
@given(cases(("robust",), 250))
def test_every_value_agrees_with_the_robust_filter(case):
    assert differing(case, 1e-4) == {}


@settings(max_examples=60, deadline=None)
@given(
    spacing_um=st.sampled_from([0.37, 0.5, 1.0, 3.3]),
    points=st.integers(2, 300),
    decimals=st.integers(2, 6),
    shake=st.sampled_from([0.0, 0.015, 0.021, 0.4]),
    seed=st.integers(0, 2**32 - 1),
)
def test_uneven_places_are_brought_onto_the_same_grid(spacing_um, points, decimals, shake, seed):
    rng = np.random.default_rng(seed)
    places = np.arange(points) + shake * rng.uniform(-1.0, 1.0, points)
    x_mm = np.round(places * spacing_um / 1000, decimals)
    assume(bool((np.diff(x_mm) > 0).all()))
    z = rng.standard_normal(points)
    heights, dx, interpolated = brute_core.onto_grid(x_mm.tolist(), z.tolist(), 10.0**-decimals)
    trace = Trace(samples=z, spacing_um=dx, positions_mm=x_mm, position_resolution_mm=10.0**-decimals)
    even = even_heights(trace)
    assert even.spacing_um == pytest.approx(dx, rel=1e-14)
    assert [finding.id for finding in even.findings] == ["uneven-spacing"] * interpolated
    assert even.z_um == pytest.approx(heights, rel=1e-9, abs=1e-9)
