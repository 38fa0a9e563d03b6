"""Zones that are left out: the longest clean stretch is a trace of its own, and what lies in a zone is no matter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosslay.errors import SettingsError, TraceError
from crosslay.inspection.callout import parse_callouts
from crosslay.inspection.judge import Decision, inspect
from crosslay.inspection.lengths import lengths_of
from crosslay.inspection.requirements import Wanted, requirements_for
from crosslay.texture.evaluation import evaluate
from crosslay.texture.settings import Settings
from crosslay.texture.stretch import least_travel_mm, left_out_ends
from crosslay.texture.trace import Trace
from inspection_surfaces import clean, trace

KEYWAY = ((3.1, 3.4),)


def long_trace(points: int = 20001) -> Trace:
    """A clean surface of 10 mm with a keyway 200 µm deep from 3.15 to 3.35 mm; spacing 0.5 µm."""
    rng = np.random.default_rng(7)
    z_um = 0.1 * np.convolve(rng.standard_normal(points + 60), np.hanning(61), mode="valid")[:points]
    z_um[6300:6700] -= 200.0
    return Trace(samples=z_um, spacing_um=0.5)


def settings(**more: object) -> Settings:
    return Settings(cutoff_mm=0.8, **more)


def test_the_longest_clean_stretch_is_evaluated_bit_for_bit_like_a_trace_of_its_own():
    whole = long_trace()
    found = evaluate(whole, settings(leave_out_mm=KEYWAY, skip_end_mm=0.5))
    cut = Trace(samples=whole.samples[6800:19001], spacing_um=0.5)  # 3.4 to 9.5 mm, both ends included
    assert found.parameters == evaluate(cut, settings()).parameters
    assert evaluate(whole, settings(leave_out_mm=KEYWAY, skip_end_mm=0.5)).parameters == found.parameters
    with_keyway = evaluate(whole, settings())
    assert with_keyway.parameters["Rt"] > 10 * found.parameters["Rt"], "it matters"


def test_uneven_positions_are_measured_from_the_first():
    whole = long_trace()
    x_mm = 5.0 + 0.0005 * np.arange(whole.points) + 1e-5 * np.sin(np.arange(whole.points))
    moved = Trace(samples=whole.samples, spacing_um=0.5, positions_mm=x_mm)
    assert left_out_ends(moved, settings(leave_out_mm=KEYWAY)) == (3.4, 0.0)
    assert evaluate(moved, settings(leave_out_mm=KEYWAY)).parameters["Rt"] < 50


@pytest.mark.parametrize(
    ("zones", "skips", "expected"),
    [
        ((), (0.1, 0.2), (0.1, 0.2)),
        (((3.1, 3.4),), (0.0, 0.0), (3.4, 0.0)),
        (((6.0, 6.5),), (0.0, 0.0), (0.0, 4.0)),
        (((0.0, 0.2), (9.9, 10.0)), (0.0, 0.0), (0.2, 0.1)),
        (((0.0, 0.2), (9.9, 50.0)), (0.5, 0.5), (0.5, 0.5)),
        (((5.0, 6.0), (2.0, 3.0), (2.5, 5.5)), (0.0, 0.0), (6.0, 0.0)),
        (((4.0, 6.0),), (0.0, 0.0), (0.0, 6.0)),
        (((20.0, 30.0),), (0.0, 0.0), (0.0, 0.0)),
    ],
)
def test_which_stretch(zones, skips, expected):
    found = left_out_ends(long_trace(), settings(leave_out_mm=zones, skip_start_mm=skips[0], skip_end_mm=skips[1]))
    assert found == pytest.approx(expected)


zone = st.tuples(st.floats(0, 9), st.floats(0.03, 3)).map(lambda each: (each[0], each[0] + each[1]))


@given(st.lists(zone, max_size=5), st.floats(0, 1), st.floats(0, 1))
def test_the_stretch_is_clean_and_no_clean_one_is_longer(zones, start, end):
    """Against a search in steps of 0.01 mm."""
    asked = settings(leave_out_mm=tuple(zones), skip_start_mm=start, skip_end_mm=end)
    before, behind = left_out_ends(Trace(samples=np.zeros(10_001), spacing_um=1.0), asked)
    first, last = before, 10.0 - behind
    assert not any(low < last - 1e-9 and high > first + 1e-9 for low, high in zones if last > first)
    places = np.arange(0, 10.005, 0.01)
    free = (places >= start) & (places <= 10.0 - end)
    for low, high in zones:
        free &= ~((places > low) & (places < high))
    edges = np.flatnonzero(np.diff(np.concatenate(([False], free, [False])).astype(int)))
    longest = max((0.01 * (stop - begin - 1) for begin, stop in zip(edges[::2], edges[1::2], strict=True)), default=0.0)
    assert last - first >= longest - 0.02


@given(st.lists(zone, max_size=4), st.floats(0.5, 6))
def test_a_trace_of_the_least_travel_holds_what_is_needed(zones, needed):
    asked = settings(leave_out_mm=tuple(zones))
    travel = least_travel_mm(needed, asked)
    enough = Trace(samples=np.zeros(round(travel * 1000) + 2), spacing_um=1.0)
    before, behind = left_out_ends(enough, asked)
    assert (enough.points - 1) / 1000 - before - behind >= needed - 1e-6


def test_findings_are_blind_to_a_zone_and_see_beside_it():
    good = clean("ground", np.random.default_rng(3), rz_um=3.0).heights
    held = good.copy()
    held[:200] = held[200] + 30.0  # rests on the edge, and jumps off it
    wanted = Wanted(sections=4)
    assert inspect(trace(held), requirements_for("", parse_callouts("Ra 2"), wanted)).decision is Decision.INVALID
    blind = Wanted(sections=4, leave_out_mm=((0.0, 0.11),))
    found = inspect(trace(held), requirements_for("", parse_callouts("Ra 2"), blind))
    assert (found.decision, [each.id for each in found.findings if each.severity.value == "invalid"]) == (
        Decision.PASS, [])  # fmt: skip
    beside = Wanted(sections=4, leave_out_mm=((0.0, 0.02),))
    assert inspect(trace(held), requirements_for("", parse_callouts("Ra 2"), beside)).decision is Decision.INVALID


def test_no_stretch_that_is_long_enough_is_too_short_and_says_how_long_it_must_be():
    wanted = Wanted(cutoff_mm=0.8, leave_out_mm=((2.0, 2.2), (6.0, 6.5)))
    verdict = inspect(long_trace(), requirements_for("", parse_callouts("Ra 5"), wanted))
    [short] = [each for each in verdict.findings if each.id == "too-short"]
    assert verdict.decision is Decision.INVALID
    assert short.evidence["needed_mm"] == pytest.approx(6.5 + 4.8)
    assert "at least 11.3 mm" in short.text
    with pytest.raises(TraceError, match="leaves nothing"):
        evaluate(long_trace(), settings(leave_out_mm=((0.0, 100.0),)))


def test_settings_with_zones_are_hashable_refuse_nonsense_and_tell_the_travel():
    asked = settings(leave_out_mm=((0.0, 0.2), (3.1, 3.4)))
    assert {asked: 1}[settings(leave_out_mm=((0.0, 0.2), (3.1, 3.4)))] == 1
    assert lengths_of(asked).travel_mm == pytest.approx(3.4 + 4.8)
    for bad in ((0.2, 0.1), (-0.1, 0.1), (0.0, float("nan")), (0.0, float("inf")), (1.0, 1.0)):
        with pytest.raises(SettingsError, match="leave_out_mm has the zone"):
            settings(leave_out_mm=(bad,))
