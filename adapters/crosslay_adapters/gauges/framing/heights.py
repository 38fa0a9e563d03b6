"""From what a gauge sends to heights: unit, gain, linearity, sign, range and overload codes."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from crosslay.errors import TraceRefusedError
from crosslay.ports import AdapterConfig
from crosslay.texture.trace import MAX_HEIGHT_UM, Calibration

Finite = Annotated[float, Field(allow_inf_nan=False)]
_TO_UM = {"um": 1.0, "mm": 1000.0, "nm": 0.001}


class HeightOptions(AdapterConfig):
    """Options of ``[gauge.heights]``.

    Attributes
    ----------
    unit
        What the samples are in.
    gain_um, offset_um
        Counts only: µm = offset + gain · counts.
    polynomial_um
        Counts only, instead of the gain: coefficients of 1, n, n² … in µm.
    table
        Counts only, instead of the gain: pairs of counts and µm, straight between them.
    range_gains_um
        Counts only, instead of one gain: the gain for each value of the fact ``range``.
    range
        Lowest and highest value that the gauge can deliver, in its unit.
    over_codes, under_codes
        Counts only: values that mean "beyond the range"; they become its end, so that the trace counts as clipped.
    direction
        ``down`` where a larger value means a deeper place.
    """

    unit: Literal["counts", "um", "mm", "nm"] = "um"
    gain_um: Finite | None = None
    offset_um: Finite = 0.0
    polynomial_um: list[Finite] | None = Field(default=None, min_length=2, max_length=10)
    table: list[Annotated[list[Finite], Field(min_length=2, max_length=2)]] | None = Field(
        default=None, min_length=2, max_length=4096
    )
    range_gains_um: dict[str, Finite] | None = Field(default=None, min_length=1, max_length=64)
    range: Annotated[list[Finite], Field(min_length=2, max_length=2)] | None = None
    over_codes: list[int] = Field(default=[], max_length=16)
    under_codes: list[int] = Field(default=[], max_length=16)
    direction: Literal["up", "down"] = "up"

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        scales = [self.gain_um, self.polynomial_um, self.table, self.range_gains_um]
        given = sum(scale is not None for scale in scales)
        if self.unit == "counts" and given != 1:
            raise ValueError("counts need exactly one of gain_um, polynomial_um, table and range_gains_um")
        if self.unit != "counts" and (given or self.offset_um or self.over_codes or self.under_codes):
            raise ValueError(f'gains, tables, offsets and codes belong to counts, but the unit is "{self.unit}"')
        if self.offset_um and (self.polynomial_um or self.table):
            raise ValueError("offset_um belongs to a gain; a polynomial or a table has its own")
        if self.gain_um == 0 or 0 in (self.range_gains_um or {}).values():
            raise ValueError("a gain of 0 would make every surface flat")
        if self.range is not None and self.range[0] >= self.range[1]:
            raise ValueError("range is [lowest, highest]")
        if (self.over_codes or self.under_codes) and self.range is None:
            raise ValueError("overload codes need range, to whose ends they lead")
        if self.table is not None and np.any(np.diff([row[0] for row in self.table]) <= 0):
            raise ValueError("the counts of the table must increase from row to row")
        return self


class Scaled:
    """Samples ready for a trace, with everything that a later computation needs."""

    __slots__ = ("calibration", "overloads", "sample_range", "samples")

    def __init__(self, samples: NDArray[Any], calibration: Calibration, sample_range: tuple[float, float] | None,
                 overloads: int) -> None:
        self.samples = samples
        self.calibration = calibration
        self.sample_range = sample_range
        self.overloads = overloads


def scaled(options: HeightOptions, samples: NDArray[Any], facts: dict[str, str]) -> Scaled:
    """Heights of one trace.

    A gain leaves the counts as they came; the trace holds them and the gain. A polynomial or a table gives heights in
    µm, which the trace then holds: either way what is stored is enough to compute everything again, bit for bit.

    Raises
    ------
    TraceRefusedError
        A sample is no number, lies beyond the range or beyond the table, or the fact ``range`` is unknown.
    """
    _refuse_where(~np.isfinite(samples), samples, "is no number")
    low_high = None if options.range is None else (options.range[0], options.range[1])
    samples, overloads = _without_codes(options, samples)
    if low_high is not None:
        outside = (samples < low_high[0]) | (samples > low_high[1])
        _refuse_where(outside, samples, f"lies outside the range {low_high[0]:g} to {low_high[1]:g} of the gauge, and "
                                        "is no overload code of gauge.heights")
    sign = -1.0 if options.direction == "down" else 1.0
    gain_um = _gain_um(options, facts)
    if options.unit == "counts" and gain_um is not None:
        result = Scaled(samples, Calibration(gain_um=sign * gain_um, offset_um=sign * options.offset_um), low_high,
                        overloads)
        _refuse_heights(result.calibration.apply(samples), samples)
        return result
    heights_um = _linearised(options, samples.astype(np.float64))
    _refuse_heights(heights_um, samples)
    ends = None
    if low_high is not None:
        first, last = _linearised(options, np.array(low_high))
        ends = (float(min(first, last)), float(max(first, last)))
    return Scaled(heights_um, Calibration(gain_um=sign), ends, overloads)


def _gain_um(options: HeightOptions, facts: dict[str, str]) -> float | None:
    if options.range_gains_um is None:
        return options.gain_um
    code = facts.get("range")
    if code not in options.range_gains_um:
        said = "said no range" if code is None else f'says range "{code}"'
        known = ", ".join(f'"{each}"' for each in options.range_gains_um)
        raise TraceRefusedError(f"the gauge {said}; gauge.heights.range_gains_um knows {known}")
    return options.range_gains_um[code]


def _without_codes(options: HeightOptions, samples: NDArray[Any]) -> tuple[NDArray[Any], int]:
    """The samples with the end of the range in place of each overload code, and how many there were."""
    if options.range is None or not (options.over_codes or options.under_codes):
        return samples, 0
    over, under = np.isin(samples, options.over_codes), np.isin(samples, options.under_codes)
    ends = np.array(options.range).astype(samples.dtype)
    replaced = np.where(over, ends[1], np.where(under, ends[0], samples))
    return replaced, int(np.count_nonzero(over | under))


def _linearised(options: HeightOptions, values: NDArray[np.float64]) -> NDArray[np.float64]:
    if options.polynomial_um is not None:
        heights = np.zeros_like(values)
        for coefficient in reversed(options.polynomial_um):
            heights = heights * values + coefficient
        return heights
    if options.table is not None:
        counts, heights_um = (np.array(column) for column in zip(*options.table, strict=True))
        _refuse_where((values < counts[0]) | (values > counts[-1]), values,
                      f"lies beyond the linearity table, {counts[0]:g} to {counts[-1]:g} counts")
        return np.asarray(np.interp(values, counts, heights_um))
    factor = _TO_UM[options.unit]
    return values if factor == 1.0 else values * factor


def _refuse_heights(heights_um: NDArray[np.float64], samples: NDArray[Any]) -> None:
    _refuse_where(~(np.abs(heights_um) <= MAX_HEIGHT_UM), samples,
                  f"gives a height beyond ±{MAX_HEIGHT_UM:.0f} µm; is unit or gain of gauge.heights right?")


def _refuse_where(bad: NDArray[Any], samples: NDArray[Any], complaint: str) -> None:
    if bad.any():
        first = int(np.argmax(bad))
        raise TraceRefusedError(f"sample {first + 1} of {samples.size} ({samples[first]:g}) {complaint}")
