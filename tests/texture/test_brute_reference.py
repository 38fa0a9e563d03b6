"""Every value that the page *texture* defines to the digit, against a slow evaluation written from the page alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from crosslay.errors import TraceTooShortError
from crosslay.texture import FilterKind, Settings, Standard, Trace, evaluate
from crosslay.texture.grid import even_heights
from reference import brute_core, brute_evaluation
from synthetic_surfaces import SURFACES, surface

#: λc in mm and spacings in µm that give short sections (the slow way takes time by the square).
GRIDS = [(0.08, 0.37), (0.08, 1.0), (0.08, 2.5), (0.25, 1.5), (0.25, 3.7), (0.8, 5.0), (0.8, 7.3), (2.5, 20.0)]


@dataclass
class Case:
    """How a trace is made; short in print, so that a failure can be read."""

    name: str
    points: int
    spacing_um: float
    seed: int
    offset_um: float
    tilt: float
    bow_um: float
    wanted: brute_evaluation.Wanted

    def heights_um(self):
        z = surface(self.name, self.points, self.spacing_um, self.seed)
        t = np.linspace(-1.0, 1.0, self.points)
        return z + self.offset_um + self.tilt * self.spacing_um * np.arange(self.points) + self.bow_um * t * t

    def settings(self):
        wanted = self.wanted
        return Settings(
            standard=Standard(wanted.standard),
            filter=FilterKind(wanted.filter),
            cutoff_mm=wanted.cutoff_mm,
            short_cutoff_um=wanted.short_cutoff_um,
            waviness_cutoff_mm=wanted.waviness_cutoff_mm,
            sections=wanted.sections,
            form=wanted.form,
        )


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


def differing(case, relative):
    """Values that differ from the slow evaluation by more than `relative`, near zero of a thousandth of the height."""
    z = case.heights_um()
    trace = Trace(samples=z, spacing_um=case.spacing_um)
    slow = brute_evaluation.evaluate(z.tolist(), case.spacing_um, case.wanted)
    if slow is None:
        with pytest.raises(TraceTooShortError):
            evaluate(trace, case.settings())
        return {}
    ours = evaluate(trace, case.settings())
    assert ours.settings.window_start == slow.start
    found = {}
    for symbol, value in slow.values.items():
        own = ours.parameters[symbol]
        if value is None or own is None:
            if value is not own:
                found[symbol] = (own, value)
            continue
        letter = "R" if symbol.startswith(("Pc(", "Mr")) else symbol[0]
        # The slow Rdr is a difference from 1 and has no digits below its rounding.
        rounding = 1e-11 if symbol.endswith("dr") else 0.0
        if abs(own - value) > relative * max(abs(value), 1e-3 * slow.total[letter]) + rounding:
            found[symbol] = (own, value)
    return found


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
