"""In-line against laboratory values: the answers, the refusals, and properties."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosslay.inspection.correlation import Correlation, Line, Method, NoCorrelation, Pair, correlate
from crosslay.inspection.line_fit import FittedLine, deming, york
from crosslay.texture.undefined import Undefined


def _pairs(laboratory, inline, u=0.02):
    return [
        Pair(part=f"p{i}", inline=float(b), laboratory=float(a), u_inline=u, u_laboratory=u)
        for i, (a, b) in enumerate(zip(laboratory, inline, strict=True))
    ]


def _example(n=12, slope=1.0, intercept=0.0, seed=1, u=0.02):
    rng = np.random.default_rng(seed)
    true = np.linspace(0.5, 3.0, n)
    return true + rng.normal(0, u, n), intercept + slope * true + rng.normal(0, u, n)


def _found(pairs, **more) -> Correlation:
    found = correlate(pairs, **more)
    assert isinstance(found, Correlation), found
    return found


def _line(pairs, **more) -> Line:
    found = _found(pairs, **more)
    assert found.line is not None, found.line_reason
    return found.line


class TestAnswers:
    def test_agreement(self):
        found = _found(_pairs(*_example(seed=2)))
        line = found.line
        assert line is not None
        assert line.method is Method.YORK
        assert line.slope_interval[0] < 1.0 < line.slope_interval[1]
        assert line.p_agreement > 0.05
        assert found.bias_interval[0] < 0.0 < found.bias_interval[1]
        assert (found.outliers, found.notes, found.line_reason) == ((), (), "")

    def test_a_gauge_that_reads_a_tenth_high(self):
        found = _found(_pairs(*_example(slope=1.1)))
        assert found.line is not None
        assert found.line.slope == pytest.approx(1.1, abs=0.03)
        assert found.line.p_slope_one < 0.001
        assert found.line.p_intercept_zero > 0.05
        assert found.bias_percent == pytest.approx(10.0, abs=1.5)

    def test_an_offset(self):
        line = _line(_pairs(*_example(intercept=0.2)))
        assert line.p_intercept_zero < 0.001
        assert line.p_slope_one > 0.05

    def test_the_bias_is_the_mean_difference_with_its_paired_interval(self):
        laboratory, inline = _example(intercept=0.1)
        found = _found(_pairs(laboratory, inline))
        differences = inline - laboratory
        half = 2.200985160 * np.std(differences, ddof=1) / math.sqrt(12)  # t(11), from tables
        assert found.bias == pytest.approx(differences.mean())
        assert found.bias_interval == pytest.approx((differences.mean() - half, differences.mean() + half))

    def test_there_and_back(self):
        line = _line(_pairs(*_example(slope=1.1, intercept=0.05)))
        assert line.to_laboratory(line.inline_at(1.7)) == pytest.approx(1.7)
        low, high = line.prediction_interval(1.7)
        assert low < line.inline_at(1.7) < high

    def test_points_without_scatter(self):
        true = np.linspace(0.5, 3.0, 10)
        line = _line(_pairs(true, true), variance_ratio=1.0)
        assert (line.slope, line.intercept) == (pytest.approx(1.0), pytest.approx(0.0, abs=1e-12))
        ratio_only = _line([dataclasses.replace(pair, u_inline=None) for pair in _pairs(true, 2.0 * true)],
                           variance_ratio=1.0)
        assert ratio_only.slope == pytest.approx(2.0)
        assert ratio_only.p_slope_one < 1e-6
        assert ratio_only.method is Method.DEMING
        assert ratio_only.p_scatter is None

    def test_an_outlier_is_named_and_kept(self):
        laboratory, inline = _example()
        inline[4] += 0.3
        found = _found(_pairs(laboratory, inline))
        assert found.outliers == ("p4",)
        assert found.n == 12
        assert any("scatter more" in note for note in found.notes)

    def test_chance_makes_few_outliers(self):
        named = sum(bool(_found(_pairs(*_example(seed=seed))).outliers) for seed in range(300))
        assert named / 300 == pytest.approx(0.05, abs=0.045)

    def test_more_scatter_than_stated_widens_the_intervals(self):
        laboratory, inline = _example(u=0.1)
        tight, right = _line(_pairs(laboratory, inline, u=0.01)), _line(_pairs(laboratory, inline, u=0.1))
        assert tight.p_scatter is not None
        assert tight.p_scatter < 1e-6
        assert tight.u_slope == pytest.approx(right.u_slope, rel=0.5)
        assert tight.u_inline > 0.05

    def test_less_scatter_than_stated_narrows_nothing(self):
        true = np.linspace(0.5, 3.0, 12)
        found, other = _line(_pairs(true, true)), york(true, true, np.full(12, 0.02), np.full(12, 0.02))
        assert isinstance(other, FittedLine)
        assert found.u_slope == pytest.approx(other.u_slope)
        assert found.u_inline == pytest.approx(0.02)

    def test_few_parts_are_said_to_be_few(self):
        assert any("10 or more" in note for note in _found(_pairs(*_example(6))).notes)


class TestRefusals:
    @pytest.mark.parametrize("count", range(5))
    def test_too_few_parts(self, count):
        found = correlate(_pairs(*_example(12))[:count])
        assert isinstance(found, NoCorrelation)
        assert "at least 5" in found.reason

    def test_a_part_twice(self):
        pairs = _pairs(*_example())
        found = correlate([*pairs, dataclasses.replace(pairs[3], inline=1.0)])
        assert isinstance(found, NoCorrelation)
        assert '"p3"' in found.reason

    @pytest.mark.parametrize("field", ["inline", "laboratory", "u_inline", "u_laboratory"])
    @pytest.mark.parametrize("value", [math.nan, math.inf, 0.0, -1.0])
    def test_a_value_that_is_none(self, field, value):
        pairs = _pairs(*_example())
        pairs[2] = dataclasses.replace(pairs[2], **{field: value})
        found = correlate(pairs)
        assert isinstance(found, NoCorrelation)
        assert '"p2"' in found.reason
        assert field in found.reason

    @pytest.mark.parametrize("ratio", [0.0, -1.0, math.nan])
    def test_a_ratio_that_is_none(self, ratio):
        assert isinstance(correlate(_pairs(*_example()), variance_ratio=ratio), NoCorrelation)

    def test_without_any_uncertainty_there_is_a_bias_but_no_line(self):
        found = _found(_pairs(*_example(), u=None))
        assert found.line is None
        assert "both sides carry errors" in found.line_reason
        assert found.bias_interval[0] < found.bias < found.bias_interval[1]

    def test_too_narrow_a_range(self):
        rng = np.random.default_rng(3)
        for ratio, u in ((None, 0.02), (1.0, None)):
            pairs = _pairs(1.0 + rng.normal(0, 0.02, 12), 1.0 + rng.normal(0, 0.02, 12), u)
            found = _found(pairs, variance_ratio=ratio)
            assert found.line is None
            assert "range is too narrow" in found.line_reason or "do not rise" in found.line_reason

    def test_a_range_of_two_uncertainties_is_too_narrow_however_many_the_parts(self):
        true = np.linspace(0.965, 1.035, 200)  # spreads by 0.020
        assert "range is too narrow" in _found(_pairs(true, true, u=0.01)).line_reason
        assert _found(_pairs(true, true, u=0.0065)).line is not None

    def test_parts_of_one_value(self):
        found = _found(_pairs([1.0] * 8, [1.0] * 8))
        assert found.line is None
        assert "do not change" in found.line_reason

    def test_parts_mixed_up(self):
        laboratory, inline = _example()
        found = _found(_pairs(laboratory, inline[::-1]))
        assert found.line is None
        assert "mixed up" in found.line_reason


class TestProperties:
    @given(st.integers(0, 1000), st.floats(0.01, 100.0))
    def test_another_unit_changes_no_judgement(self, seed, factor):
        laboratory, inline = _example(seed=seed)
        one = _line(_pairs(laboratory, inline))
        other = _line(_pairs(factor * laboratory, factor * inline, 0.02 * factor))
        assert other.slope == pytest.approx(one.slope, rel=1e-9)
        assert other.intercept == pytest.approx(factor * one.intercept, rel=1e-7, abs=1e-9 * factor)
        assert other.p_agreement == pytest.approx(one.p_agreement, rel=1e-6, abs=1e-12)

    @given(st.integers(0, 1000), st.floats(0.1, 10.0))
    def test_with_the_sides_changed_the_line_is_the_same(self, seed, ratio):
        laboratory, inline = _example(seed=seed, slope=1.2)
        there, back = deming(laboratory, inline, ratio), deming(inline, laboratory, 1.0 / ratio)
        assert isinstance(there, float)
        assert isinstance(back, float)
        assert there * back == pytest.approx(1.0, rel=1e-9)

    @given(st.permutations(range(12)))
    def test_the_order_of_the_parts_does_not_matter(self, order):
        pairs = _pairs(*_example())
        assert _line([pairs[i] for i in order]).slope == pytest.approx(_line(pairs).slope, rel=1e-12)

    @given(
        st.lists(st.tuples(*[st.floats(0.1, 10.0)] * 2, *[st.floats(0.001, 1.0)] * 2), min_size=5, max_size=12)
    )
    def test_any_points_give_a_finite_answer_or_a_reason(self, rows):
        found = correlate([Pair(part=str(i), inline=a, laboratory=b, u_inline=c, u_laboratory=d)
                           for i, (a, b, c, d) in enumerate(rows)])
        assert isinstance(found, Correlation)
        assert found.line is not None or found.line_reason
        if found.line is not None:
            assert all(map(math.isfinite, (found.line.slope, found.line.u_slope, found.line.p_agreement)))

    def test_vertical_and_level_points(self):
        level = np.array([1.0, 1.0, 1.0, 1.0, 1.0])
        rising = np.arange(1.0, 6.0)
        ones = np.ones(5)
        for x, y in ((level, rising), (rising, level), (level, level)):
            assert isinstance(york(x, y, ones, ones), Undefined | FittedLine)
            assert isinstance(deming(x, y, 1.0), Undefined)
