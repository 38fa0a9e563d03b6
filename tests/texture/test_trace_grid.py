"""From raw samples to an even grid: page *texture*, section 1, steps 1 and 2."""

from __future__ import annotations

import numpy as np
import pytest

from crosslay.errors import TraceError
from crosslay.texture.grid import even_heights
from crosslay.texture.trace import Calibration, Trace


def _trace_at(positions_mm, z, resolution_mm=0.0):
    positions_mm = np.asarray(positions_mm, dtype=float)
    spacing_um = 1000 * (positions_mm[-1] - positions_mm[0]) / (positions_mm.size - 1)
    return Trace(
        samples=np.asarray(z, dtype=float),
        spacing_um=spacing_um,
        positions_mm=positions_mm,
        position_resolution_mm=resolution_mm,
    )


def test_an_even_trace_passes_through_untouched():
    z = np.array([1.0, -2.0, 3.5])
    even = even_heights(Trace(samples=z, spacing_um=0.5))
    assert even.z_um is z
    assert even.spacing_um == 0.5
    assert even.findings == ()


def test_counts_become_micrometres_by_gain_offset_and_amplification():
    counts = np.array([0, 100, -50], dtype=np.int32)
    calibration = Calibration(gain_um=0.002, offset_um=1.0, amplification=1.5)
    even = even_heights(Trace(samples=counts, spacing_um=0.5, calibration=calibration))
    assert even.z_um.dtype == np.float64
    assert even.z_um == pytest.approx([1.5, 1.8, 1.35], abs=1e-15)


def test_places_within_two_hundredths_of_the_spacing_are_even():
    x = np.arange(101) * 0.001
    x[50] += 0.00001999
    z = np.sin(np.arange(101.0))
    even = even_heights(_trace_at(x, z))
    assert np.array_equal(even.z_um, z)
    assert even.findings == ()


def test_places_off_by_one_printed_unit_are_even():
    """0.37 µm printed with four decimals of a millimetre lies up to half a unit off; one unit is allowed."""
    x = np.round(np.arange(201) * 0.00037, 4)
    z = np.cos(np.arange(201.0))
    even = even_heights(_trace_at(x, z, resolution_mm=1e-4))
    assert np.array_equal(even.z_um, z)
    assert even.findings == ()
    assert even.spacing_um == pytest.approx(0.37, rel=1e-3)


def test_an_offset_of_exactly_one_printed_unit_is_even_in_spite_of_binary_fractions():
    x = np.arange(11) * 0.001
    x[5] += 0.0001
    assert even_heights(_trace_at(x, np.zeros(11), resolution_mm=0.0001)).findings == ()
    assert even_heights(_trace_at(x, np.zeros(11), resolution_mm=0.000099)).findings != ()


def test_uneven_places_are_interpolated_and_said_so():
    x = np.array([0.0, 0.001, 0.0025, 0.004])
    z = 3.0 * x + 1.0  # a straight line is not changed by linear interpolation
    even = even_heights(_trace_at(x, z))
    assert even.spacing_um == pytest.approx(4.0 / 3.0)
    assert even.z_um == pytest.approx(1.0 + 3.0 * np.arange(4) * 0.004 / 3.0, rel=1e-14)
    (finding,) = even.findings
    assert finding.id == "uneven-spacing"
    assert finding.evidence["largest_miss_um"] == pytest.approx(1000 * (0.001333333 - 0.001), rel=1e-4)


def test_interpolation_between_uneven_places_by_hand():
    x = np.array([0.0, 0.5, 2.0]) / 1000  # µm 0, 0.5, 2: grid 0, 1, 2
    even = even_heights(_trace_at(x, [0.0, 2.0, 8.0]))
    assert even.z_um == pytest.approx([0.0, 4.0, 8.0])


@pytest.mark.parametrize("positions", [[0.0, 0.001, 0.001, 0.003], [0.0, 0.002, 0.001, 0.003]])
def test_places_must_increase(positions):
    with pytest.raises(TraceError, match=r"position 3 .* must increase strictly"):
        even_heights(_trace_at(positions, np.zeros(4)))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_height_that_is_no_number_is_named(bad):
    z = np.zeros(5)
    z[3] = bad
    with pytest.raises(TraceError, match="sample 4 is"):
        even_heights(Trace(samples=z, spacing_um=1.0))


def test_a_place_that_is_no_number_is_refused():
    trace = Trace(samples=np.zeros(3), spacing_um=1.0, positions_mm=np.array([0.0, np.nan, 0.002]))
    with pytest.raises(TraceError, match="position"):
        even_heights(trace)


def test_a_height_beyond_a_metre_is_refused():
    with pytest.raises(TraceError, match="sample 2 is -2e\\+06"):
        even_heights(Trace(samples=np.array([0.0, -2e6]), spacing_um=1.0))


@pytest.mark.parametrize("points", [0, 1])
def test_an_empty_or_single_sample_is_refused(points):
    with pytest.raises(TraceError, match="the trace is"):
        even_heights(Trace(samples=np.zeros(points), spacing_um=1.0))


def test_zones_are_left_out_by_length():
    z = np.arange(11.0)  # 0 … 10 µm
    even = even_heights(Trace(samples=z, spacing_um=1.0), skip_start_mm=0.0025, skip_end_mm=0.003)
    assert np.array_equal(even.z_um, np.arange(3.0, 8.0))  # a sample on the border stays


def test_zones_are_left_out_by_place_where_there_are_places():
    x = np.array([0.0, 1.0, 2.5, 3.0, 4.0, 5.0]) / 1000
    even = even_heights(_trace_at(x, np.arange(6.0)), skip_start_mm=0.003)
    assert even.z_um == pytest.approx([3.0, 4.0, 5.0])
    assert even.spacing_um == pytest.approx(1.0)
    assert even.findings == ()  # what is left is even


def test_leaving_out_everything_is_refused_with_the_lengths():
    with pytest.raises(TraceError, match="leaves nothing"):
        even_heights(Trace(samples=np.zeros(11), spacing_um=1.0), skip_start_mm=0.006, skip_end_mm=0.005)
    with pytest.raises(TraceError, match="empty"):
        even_heights(Trace(samples=np.zeros(0), spacing_um=1.0), skip_start_mm=0.006)
