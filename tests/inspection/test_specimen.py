"""Specimens, reference checks, corrections and the chart of checks."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosslay.errors import SettingsError
from crosslay.inspection.check_chart import Direction, SignalKind, Standing, check_chart
from crosslay.inspection.correction import Correction, NoCorrection, propose_correction
from crosslay.inspection.reference_check import Outcome, reference_check, scatter_of
from crosslay.inspection.specimen import PARAMETERS, GrooveBottom, Specimen, SpecimenType
from crosslay.inspection.specimen_reading import Reading, Unread, read_specimen
from crosslay.texture import Settings, Standard, Trace

# An invented specimen.
PLATE = Specimen(
    name="plate", type=SpecimenType.C, parameter="Ra", certified=3.0, expanded_uncertainty=0.06, tolerance_percent=5.0,
    warn_percent=3.0, certificate="invented", settings=Settings(cutoff_mm=0.8), pitch_mm=0.1,
)


def _with(**changes):
    return dataclasses.replace(PLATE, **changes)


def _readings(*values, place="", amplification=1.0):
    return [Reading(value=value, unit="um", place=place, amplification=amplification) for value in values]


class TestSpecimen:
    @pytest.mark.parametrize(
        ("changes", "word"),
        [
            ({"parameter": "d"}, "use one of Ra"),
            ({"certified": 0.0}, "certified is 0"),
            ({"certified": math.nan}, "certified is nan"),
            ({"expanded_uncertainty": 0.0}, "expanded_uncertainty"),
            ({"coverage_factor": -2.0}, "coverage_factor"),
            ({"warn_percent": 6.0}, "a warning comes first"),
            ({"least_traces": 1}, "one trace says nothing"),
            ({"pitch_mm": -1.0}, "pitch_mm"),
            ({"type": SpecimenType.A, "parameter": "d"}, "groove_width_mm"),
            ({"type": SpecimenType.B, "parameter": "rtip"}, "narrow_widths_um"),
            ({"type": SpecimenType.B, "parameter": "rtip", "narrow_widths_um": (1.0, 0.0)}, "narrow_widths_um"),
            (
                {"type": SpecimenType.B, "parameter": "rtip", "narrow_widths_um": (1.0,), "cone_angle_deg": 180.0},
                "cone_angle_deg",
            ),
        ],
    )
    def test_nonsense_is_refused_by_name(self, changes, word):
        with pytest.raises(SettingsError, match=word) as caught:
            _with(**changes)
        assert '"plate"' in str(caught.value)

    def test_units(self):
        assert PLATE.unit == "um"
        assert _with(parameter="Rsm").unit == "mm"
        assert PLATE.standard_uncertainty == 0.03
        assert {parameter for parameters in PARAMETERS.values() for parameter in parameters} >= {"d", "rtip", "Rsm"}


class TestReading:
    def _sine(self, pitch_um=100.0, **facts):
        x_um = np.arange(0, 4850.0, 0.5)
        return Trace(samples=3.0 * np.pi / 2 * np.sin(2 * np.pi * x_um / pitch_um), spacing_um=0.5, facts=facts)

    def test_a_periodic_specimen(self):
        found = read_specimen(self._sine(place="b4"), PLATE)
        assert isinstance(found, Reading)
        assert found.place == "b4"
        assert set(found.values) == {"Ra", "Rz", "Rsm"}
        assert found.value == found.values["Ra"]

    def test_the_older_spelling_is_the_same_parameter(self):
        for standard, parameter in ((Standard.ISO_4287, "Rsm"), (Standard.ISO_21920, "RSm")):
            specimen = _with(parameter=parameter, certified=0.1, settings=Settings(cutoff_mm=0.8, standard=standard))
            found = read_specimen(self._sine(), specimen)
            assert isinstance(found, Reading)
            assert (found.value, found.unit) == (pytest.approx(0.1, rel=1e-4), "mm")

    def test_another_pitch_is_another_specimen(self):
        found = read_specimen(self._sine(150.0), PLATE)
        assert isinstance(found, Unread)
        assert "0.15 mm" in found.reason

    def test_a_flat_has_no_period(self):
        found = read_specimen(Trace(samples=np.zeros(9700), spacing_um=0.5), PLATE)
        assert isinstance(found, Unread)
        assert "no period" in found.reason

    def test_too_short_and_not_of_this_standard(self):
        assert "mm" in read_specimen(Trace(samples=np.zeros(500), spacing_um=0.5), PLATE).reason
        found = read_specimen(self._sine(), _with(type=SpecimenType.D, parameter="Rmax", pitch_mm=None))
        assert isinstance(found, Unread)
        assert "no parameter Rmax" in found.reason

    def test_an_irregular_specimen_shows_no_spacing(self):
        found = read_specimen(self._sine(), _with(type=SpecimenType.D, parameter="Rz", pitch_mm=None))
        assert isinstance(found, Reading)
        assert set(found.values) == {"Ra", "Rz"}


GARBAGE = {
    "noise": lambda rng, n: rng.normal(size=n),
    "zeros": lambda rng, n: np.zeros(n),
    "high": lambda rng, n: np.full(n, 1e6),
    "tiny": lambda rng, n: 1e-12 * rng.normal(size=n),
    "walk": lambda rng, n: np.cumsum(rng.normal(size=n)),
    "counts": lambda rng, n: (1e4 * rng.normal(size=n)).astype(np.int32),
    "holes": lambda rng, n: np.where(rng.random(n) < 0.01, -1e5, 0.0),
    "no numbers": lambda rng, n: np.where(rng.random(n) < 0.01, np.nan, 0.0),
    "square": lambda rng, n: np.sign(np.sin(np.arange(n) / rng.uniform(1.0, 300.0))),
    "pit": lambda rng, n: np.where(np.arange(n) == n // 2, -5.0, 0.0),
}


@pytest.mark.parametrize("kind", GARBAGE)
@pytest.mark.parametrize(
    "specimen",
    [
        _with(type=SpecimenType.A, parameter="d", groove_width_mm=0.05),
        _with(type=SpecimenType.A, parameter="d", groove_width_mm=0.5, groove_bottom=GrooveBottom.ROUNDED),
        _with(type=SpecimenType.B, parameter="rtip", narrow_widths_um=(3.0, 2.0)),
        _with(settings=Settings(cutoff_mm=0.08)),
        _with(type=SpecimenType.D, parameter="Rz", settings=Settings()),
    ],
    ids=["A1", "A2", "B", "C", "D"],
)
def test_garbage_reads_a_number_or_says_why_not(kind, specimen):
    """Never an exception, a warning or a value that is no number."""
    rng = np.random.default_rng(list(GARBAGE).index(kind))
    for points in (0, 1, 2, 3, 4, 5, 10, 50, 300, 1500, 4000):
        for spacing_um in (0.01, 0.5, 2.0, 100.0):
            trace = Trace(samples=GARBAGE[kind](rng, points), spacing_um=spacing_um)
            found = read_specimen(trace, specimen)
            if isinstance(found, Unread):
                assert found.reason
                continue
            assert math.isfinite(found.value)
            check = reference_check([found] * 3, specimen)
            assert isinstance(propose_correction(check, specimen, noise_rq0_um=1e-3), Correction | NoCorrection)


class TestCheck:
    def test_the_invented_example(self):
        """Certified Ra 3.00 µm, reading 3.24 µm: +8.0 % (invented)."""
        found = reference_check(_readings(3.23, 3.24, 3.25), PLATE)
        assert found.deviation_percent == pytest.approx(8.0, abs=1e-9)
        assert found.repeatability == pytest.approx(0.01)
        assert found.outcome is Outcome.OUT_OF_TOLERANCE
        assert "+8.0 %" in found.text
        # En by hand: u = 0.01/√3, t(2) = 4.302653
        assert found.en == pytest.approx(0.24 / math.hypot(4.302652729911275 * 0.01 / math.sqrt(3.0), 0.06), rel=1e-9)

    @pytest.mark.parametrize(
        ("mean", "outcome"),
        [
            (3.0, Outcome.IN_TOLERANCE), (3.09, Outcome.IN_TOLERANCE), (3.0901, Outcome.WARNING),
            (2.9099, Outcome.WARNING), (3.15, Outcome.WARNING), (2.85, Outcome.WARNING),
            (3.1501, Outcome.OUT_OF_TOLERANCE), (2.8499, Outcome.OUT_OF_TOLERANCE),
        ],
    )
    def test_equality_conforms(self, mean, outcome):
        assert reference_check(_readings(mean, mean, mean), PLATE).outcome is outcome

    @pytest.mark.parametrize("count", [0, 1, 2])
    def test_too_few_are_never_a_pass(self, count):
        found = reference_check([*_readings(*[3.0] * count), Unread(reason="a scratch")], PLATE)
        assert found.outcome is Outcome.NOT_USABLE
        assert found.n == count
        assert "a scratch" in found.text
        assert found.unread == ("a scratch",)

    def test_two_corrections_in_one_check(self):
        found = reference_check([*_readings(3.0, 3.0), *_readings(3.0, amplification=1.1)], PLATE)
        assert found.outcome is Outcome.NOT_USABLE
        assert "corrections" in found.text

    def test_a_worn_plate_is_no_fault_of_the_gauge(self):
        """Readings at other places of a worn plate may differ by a fifth (invented)."""
        readings = [
            reading for place, level in (("a", 3.0), ("b", 2.4), ("c", 3.0), ("d", 3.6))
            for reading in _readings(level - 0.01, level, level + 0.01, place=place)
        ]
        found = reference_check(readings, PLATE)
        assert found.repeatability == pytest.approx(0.01)
        assert found.place_scatter == pytest.approx(math.sqrt(0.24 - 0.01**2 / 3.0))
        assert found.deviation == pytest.approx(0.0, abs=1e-12)
        assert found.outcome is Outcome.NOT_USABLE
        assert "places of the specimen differ" in found.text
        limited = reference_check(readings, _with(place_limit_percent=10.0))
        assert "worn or dirty" in limited.text
        assert "nothing about the gauge" in limited.text

    def test_a_spread_at_one_place(self):
        found = reference_check(_readings(2.9, 3.0, 3.1), _with(repeatability_limit_percent=2.0))
        assert found.outcome is Outcome.NOT_USABLE
        assert "vibration" in found.text
        assert reference_check(_readings(2.9, 3.0, 3.1), PLATE).outcome is Outcome.NOT_USABLE  # U 8.3 % > 5 %

    def test_a_spread_never_hides_a_proven_deviation(self):
        wild = _readings(5.9, 6.0, 6.1)
        limited = _with(repeatability_limit_percent=1.0)
        assert reference_check(wild, limited).outcome is Outcome.OUT_OF_TOLERANCE

    def test_what_the_uncertainties_could_explain_is_said(self):
        found = reference_check(_readings(3.16, 3.16, 3.16), _with(expanded_uncertainty=0.3))
        assert found.outcome is Outcome.OUT_OF_TOLERANCE
        assert "En ≤ 1" in found.text

    @given(
        st.lists(st.lists(st.floats(1.0, 10.0), min_size=1, max_size=5), min_size=1, max_size=5)
        .filter(lambda groups: sum(map(len, groups)) > 1),
        st.floats(0.01, 100.0),
    )
    def test_scatter_scales_and_is_never_negative(self, groups, factor):
        found = scatter_of(groups)
        scaled = scatter_of([[factor * value for value in group] for group in groups])
        assert found.standard_uncertainty >= 0.0
        assert found.dof >= 0.99
        assert scaled.mean == pytest.approx(factor * found.mean)
        assert scaled.standard_uncertainty == pytest.approx(
            factor * found.standard_uncertainty, rel=1e-6, abs=1e-6 * factor
        )

    def test_the_uncertainty_of_the_mean_is_what_many_checks_show(self):
        """Random effects by simulation: the mean of unequal places has the variance that the check states."""
        rng = np.random.default_rng(8)
        means, variances = [], []
        for _ in range(3000):
            groups = [3.0 + rng.normal(0, 0.1) + rng.normal(0, 0.05, size) for size in (1, 2, 4, 5, 3, 2)]
            found = scatter_of([group.tolist() for group in groups])
            means.append(found.mean)
            variances.append(found.standard_uncertainty**2)
        # Cutting negative components at 0 raises the mean of the stated variance a little, never lowers it.
        assert np.mean(variances) == pytest.approx(np.var(means), rel=0.12)


GAIN = reference_check(_readings(3.12, 3.121, 3.119, amplification=1.04), PLATE)


class TestCorrection:
    def test_it_composes_with_the_one_in_force(self):
        found = propose_correction(GAIN, PLATE, noise_rq0_um=0.01)
        assert isinstance(found, Correction)
        assert found.step == pytest.approx(3.0 / 3.12)
        assert found.factor == pytest.approx(1.04 * 3.0 / 3.12)
        assert found.factor == pytest.approx(1.0)
        assert found.standard_uncertainty == pytest.approx(
            math.hypot(0.001 / math.sqrt(3) / 3.12, 0.01) * found.factor, rel=1e-6
        )

    def test_it_sets_the_gauge_right(self):
        """Applied through the trace's calibration, the same trace reads the certified value."""
        specimen = Specimen(
            name="depth", type=SpecimenType.A, parameter="d", certified=2.0, expanded_uncertainty=0.002,
            tolerance_percent=5.0, warn_percent=2.0, groove_width_mm=0.5,
        )
        z_um = np.where(np.abs(np.arange(1500) - 750.0) < 125.0, -2.07, 0.0)
        trace = Trace(samples=z_um, spacing_um=2.0)
        trace = dataclasses.replace(trace, calibration=dataclasses.replace(trace.calibration, amplification=0.98))
        found = propose_correction(reference_check([read_specimen(trace, specimen)] * 3, specimen), specimen)
        assert isinstance(found, Correction)
        again = dataclasses.replace(
            trace, calibration=dataclasses.replace(trace.calibration, amplification=found.factor)
        )
        reading = read_specimen(again, specimen)
        assert isinstance(reading, Reading)
        assert reading.value == pytest.approx(2.0, rel=1e-12)

    @pytest.mark.parametrize(
        ("specimen", "noise_um", "word"),
        [
            (PLATE, None, "optical flat"),
            (PLATE, 0.0301, "coarser specimen"),
            (_with(type=SpecimenType.D), 0.001, "type D only checks"),
            (_with(parameter="Rz"), 0.001, "not from Rz"),
            (_with(name="another"), 0.001, 'not of "another"'),
        ],
    )
    def test_where_no_gain_is_taken(self, specimen, noise_um, word):
        found = propose_correction(GAIN, specimen, noise_rq0_um=noise_um)
        assert isinstance(found, NoCorrection)
        assert word in found.reason

    def test_exactly_a_hundred_times_the_noise_is_enough(self):
        assert isinstance(propose_correction(GAIN, PLATE, noise_rq0_um=0.03), Correction)

    @pytest.mark.parametrize(
        ("readings", "word"),
        [
            (_readings(3.0, 3.2), "not usable"),
            (_readings(3.03, 3.031, 3.03), "would follow chance"),
            (_readings(7.0, 7.001, 7.0), "no drift"),
            (_readings(1.0, 1.001, 1.0), "no drift"),
        ],
    )
    def test_what_no_correction_can_mend(self, readings, word):
        found = propose_correction(reference_check(readings, PLATE), PLATE, noise_rq0_um=0.001)
        assert isinstance(found, NoCorrection)
        assert word in found.reason


class TestChart:
    def test_a_run_of_seven(self):
        assert check_chart([0.1, -0.2] * 3 + [0.1] + [0.3, 0.2] * 2 + [0.4]) == ()  # six of them
        (signal,) = check_chart([-0.1, *[0.3, 0.2] * 3, 0.4])
        assert (signal.kind, signal.direction, signal.standing) == (SignalKind.RUN, Direction.UP, Standing.CURRENT)
        assert (signal.first, signal.last, signal.length) == (1, 7, 7)
        assert signal.values == (0.3, 0.2, 0.3, 0.2, 0.3, 0.2, 0.4)
        assert "7 checks in a row" in signal.text

    def test_a_trend_of_seven(self):
        assert check_chart([-3.0, -2.0, -1.0, 1.0, 2.0, 3.0]) == ()
        (signal,) = check_chart([3.0, 2.0, 1.0, 0.5, -1.0, -2.0, -3.0])
        assert (signal.kind, signal.direction, signal.first, signal.last) == (SignalKind.TREND, Direction.DOWN, 0, 6)

    def test_ties_are_no_signal(self):
        assert check_chart([0.0] * 20) == ()
        assert check_chart([1.0] * 3 + [0.0] + [1.0] * 4, centre_percent=0.0) == ()
        assert check_chart([-3.0, -2.0, -1.0, -1.0, 0.5, 2.0, 3.0, 4.0]) == ()
        assert check_chart([5.0] * 30, centre_percent=5.0) == ()

    def test_what_is_over_is_past(self):
        (signal,) = check_chart([0.3, 0.2] * 4 + [-0.1])
        assert signal.standing is Standing.PAST

    @pytest.mark.parametrize("history", [[], [1.0]])
    def test_next_to_no_history(self, history):
        assert check_chart(history) == ()

    def test_no_number(self):
        with pytest.raises(SettingsError, match="not a number"):
            check_chart([0.1, math.nan])

    @given(st.lists(st.integers(-3, 3).map(float), max_size=60))
    def test_signals_hold_what_they_say_and_none_is_missed(self, history):
        found = check_chart(history)
        for signal in found:
            values = signal.values
            assert values == tuple(history[signal.first : signal.last + 1])
            if signal.kind is SignalKind.RUN:
                assert len({value > 0 for value in values}) == 1
                assert 0.0 not in values
            else:
                assert len({np.sign(b - a) for a, b in itertools.pairwise(values)} - {0.0}) == 1
        for start in range(len(history) - 6):
            seven = history[start : start + 7]
            held = {signal.kind for signal in found if signal.first <= start and signal.last >= start + 6}
            assert (SignalKind.RUN in held) == (min(seven) > 0 or max(seven) < 0)
            steps = {np.sign(b - a) for a, b in itertools.pairwise(seven)}
            assert (SignalKind.TREND in held) == (len(steps) == 1 and 0.0 not in steps)

    def test_false_alarms_come_as_often_as_stated(self):
        """A run begins at a check with the chance 1/128 (module); 40,000 independent deviations, 5 standard errors."""
        history = np.random.default_rng(6).normal(size=40_000)
        runs = [signal for signal in check_chart(history.tolist()) if signal.kind is SignalKind.RUN]
        expected = len(history) / 128.0
        assert len(runs) == pytest.approx(expected, abs=5.0 * math.sqrt(expected))
