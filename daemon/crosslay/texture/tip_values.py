"""What a smaller tip would have made of Ra, Rz, Rt …: the shallowest surface's values, and bounds that are certain.

The trace t of a tip bounds that of a smaller one from both sides, ``lo ≤ t' ≤ hi`` at every sample (`tip`). The upper
bound is itself a possible trace: that of the shallowest surface which gives t. Its values are those that the smaller
tip would have found at the least effort of the surface; deeper surfaces give the same t.

Certain bounds of a parameter follow from the filters: where all weights of λs and λc are positive, filtering keeps the
order, so with S and G for the two mean lines

    S lo − G S hi  ≤  r'  ≤  S hi − G S lo

at every sample of the window, and each parameter is a sum or an extreme of these. Neither a removed offset nor a
removed line changes r', since the Gaussian filter gives both back (ISO 16610-28, moment criterion). Where the tip
touched nothing, lo is −∞, and nothing certain can be said of any value whose mean line reaches there.

References
----------
ISO 16610-41; J. S. Villarrubia (1997), see `tip`; interval arithmetic. The inequality above is our own derivation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import SettingsError
from crosslay.texture.evaluation import Evaluation, UsedSettings, evaluate
from crosslay.texture.filters import gaussian
from crosslay.texture.grid import even_heights
from crosslay.texture.settings import FilterKind, Settings, Standard
from crosslay.texture.stretch import left_out_ends
from crosslay.texture.tip import SmallerTipBounds, smaller_tip_bounds, tip_radius_um
from crosslay.texture.trace import Finding, Severity, Trace
from crosslay.texture.undefined import Undefined

#: Parameters that are bounded, where the standard has them.
SYMBOLS: Final[tuple[str, ...]] = ("Ra", "Rq", "Rp", "Rv", "Rz", "Rpt", "Rvt", "Rt")
# A trace that stands so far above what its tip can trace, as a share of Rz, was not traced by that tip (common
# practice, no source).
_EXCESS_SHARE: Final = 0.05

_Floats = NDArray[np.float64]
_Band = tuple[_Floats, _Floats]


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallerTipValues:
    """Values by symbol, heights in µm, that a smaller tip would have given.

    Attributes
    ----------
    tip_radius_um, smaller_radius_um
        Radius of the tip that traced and of the one asked about, µm.
    touched_share_percent, excess_um, resolution_um
        See `SmallerTipBounds`.
    shallowest_um
        Values of the shallowest surface that gives this trace; a possible case, not a bound.
    at_least_um, at_most_um
        Bounds that hold for every surface that gives this trace, to within `resolution_um`; None where nothing is
        certain.
    undefined
        Why a bound is None, by symbol.
    total_height_um
        Least total height of the unfiltered trace over the window, µm, tilted as the trace given: certain where the
        tip touched at all, else None.
    findings
        ``above-tip-reach``.
    """

    tip_radius_um: float
    smaller_radius_um: float
    touched_share_percent: float
    excess_um: float
    resolution_um: float
    shallowest_um: dict[str, float | None]
    at_least_um: dict[str, float | None]
    at_most_um: dict[str, float | None]
    undefined: dict[str, str]
    total_height_um: float | None
    findings: tuple[Finding, ...] = ()


def smaller_tip_values(
    trace: Trace, evaluation: Evaluation, settings: Settings, *, smaller_radius_um: float
) -> SmallerTipValues:
    """Say what a smaller tip would have given.

    Parameters
    ----------
    trace : Trace
        Raw trace with the fact ``tip_radius_um``.
    evaluation : Evaluation
        What it amounts to.
    settings : Settings
        What the evaluation was asked for.
    smaller_radius_um : float
        Radius of the tip asked about, µm; 0 asks for the surface itself.

    Returns
    -------
    SmallerTipValues
        Under the settings that `evaluation` used. The certain bounds are those of the trace without its outermost
        ``R + r`` and one λs at either end, where the tip may have rested on what lies beyond; the window stays.

    Raises
    ------
    SettingsError
        The trace does not say its tip radius, or the smaller one is not smaller.
    """
    radius_um = tip_radius_um(trace)
    if radius_um is None:
        raise SettingsError("the trace does not say what tip traced it, so a smaller one cannot be compared; "
                            'add the fact "tip_radius_um: 2" (in µm) to the file')
    used = evaluation.settings
    skip_start_mm, skip_end_mm = left_out_ends(trace, settings)
    even = even_heights(trace, skip_start_mm=skip_start_mm, skip_end_mm=skip_end_mm)
    bounds = smaller_tip_bounds(even.z_um, even.spacing_um, radius_um, smaller_radius_um)
    at_least, at_most, undefined = _certain(bounds, used, reach_um=radius_um + smaller_radius_um)
    names = [name for name in SYMBOLS if name in evaluation.parameters]
    return SmallerTipValues(
        tip_radius_um=radius_um,
        smaller_radius_um=smaller_radius_um,
        touched_share_percent=bounds.touched_share_percent,
        excess_um=bounds.excess_um,
        resolution_um=bounds.resolution_um,
        shallowest_um=_shallowest(bounds, used, settings, names),
        at_least_um={name: at_least.get(name) for name in names},
        at_most_um={name: at_most.get(name) for name in names},
        undefined=dict.fromkeys(names, undefined) if undefined else {},
        total_height_um=_total_height_um(even.z_um, bounds, used),
        findings=_above_reach(bounds, radius_um, evaluation.parameters["Rz"]),
    )


def _shallowest(
    bounds: SmallerTipBounds, used: UsedSettings, settings: Settings, names: list[str]
) -> dict[str, float | None]:
    same = replace(settings, cutoff_mm=used.cutoff_mm, short_cutoff_um=used.short_cutoff_um, skip_start_mm=0.0,
                   skip_end_mm=0.0, leave_out_mm=(), parameters=(), motif=None)
    found = evaluate(Trace(samples=bounds.highest_um, spacing_um=used.spacing_um), same)
    return {name: found.parameters[name] for name in names}


def _total_height_um(z_um: _Floats, bounds: SmallerTipBounds, used: UsedSettings) -> float | None:
    """Highest point that is certain, less the lowest that is possible, both on the slope of the trace given."""
    here = slice(used.window_start, used.window_start + used.window_points)
    x = np.arange(used.window_points, dtype=np.float64)
    x -= x.mean()
    line = x * (float(x @ z_um[here]) / float(x @ x)) if used.form != "none" else 0.0
    certain = float((bounds.lowest_um[here] - line).max())
    if not math.isfinite(certain):
        return None
    return max(certain - float((bounds.highest_um[here] - line).min()), 0.0)


def _above_reach(bounds: SmallerTipBounds, radius_um: float, rz_um: float | None) -> tuple[Finding, ...]:
    if not bounds.excess_um > bounds.resolution_um + _EXCESS_SHARE * (rz_um or 0.0):
        return ()
    return (
        Finding(
            id="above-tip-reach",
            severity=Severity.WARNING,
            text=f"The trace stands up to {bounds.excess_um:.3g} µm above what a tip of {radius_um:g} µm can trace: "
            "the tip is sharper than stated, or the trace holds spikes or noise. What it says of a smaller tip leaves "
            "these out.",
            evidence={"excess_um": bounds.excess_um, "tip_radius_um": radius_um},
        ),
    )


# --- certain bounds --------------------------------------------------------------------------------------------------


def _certain(
    bounds: SmallerTipBounds, used: UsedSettings, *, reach_um: float
) -> tuple[dict[str, float], dict[str, float], str]:
    """Least and largest value by symbol, or why there is none."""
    band = _roughness_band(bounds, used, reach_um)
    if isinstance(band, Undefined):
        return {}, {}, band.reason
    return *_value_bounds(band, used), ""


def _roughness_band(bounds: SmallerTipBounds, used: UsedSettings, reach_um: float) -> _Band | Undefined:
    """Least and largest r' in the window, each shape (M,), µm."""
    if used.filter is not FilterKind.GAUSSIAN or used.cutoff_mm is None:
        return Undefined("certain bounds need the gaussian filter, which keeps the order of two profiles")
    if used.form not in {"none", "line"}:
        return Undefined("certain bounds need the form line or none, which does not change the roughness")
    short_um, spacing_um = used.short_cutoff_um, used.spacing_um
    blurred = 0 if short_um is None else gaussian.half_support(spacing_um, short_um / 1000.0)
    half = gaussian.half_support(spacing_um, used.cutoff_mm)
    cut = math.ceil(reach_um / spacing_um)
    start, stop = used.window_start, used.window_start + used.window_points
    # The samples that the window's mean line reaches, the ends left out.
    first, last = max(cut, start - half - blurred), min(used.points - cut, stop + half + blurred)
    if start - first < blurred or last - stop < blurred:
        return Undefined("the trace ends too near to the evaluation length")
    low, high = bounds.lowest_um[first:last], bounds.highest_um[first:last]
    open_percent = 100.0 * float(np.mean(np.isneginf(low)))
    if open_percent > 0.0:
        return Undefined(f"over {open_percent:.3g} % of the length the tip that traced touched nothing within reach of "
                         "the smaller one; how deep that is, the trace cannot say")
    if short_um is not None:
        low, high = (gaussian.mean_line(each, spacing_um, short_um / 1000.0)[blurred : each.size - blurred]
                     for each in (low, high))
        first, last = first + blurred, last - blurred
    if not (_all_positive(start - first, used) and _all_positive(last - stop, used)):
        return Undefined("the run-up is too short for weights that are all positive")
    low_line, high_line = (gaussian.mean_line(each, spacing_um, used.cutoff_mm) for each in (low, high))
    here = slice(start - first, stop - first)
    return (low - high_line)[here], (high - low_line)[here]


def _all_positive(run: int, used: UsedSettings) -> bool:
    """Whether the weights of λc at a point `run` samples from an end are all positive (moment criterion).

    They are ``s_k (S2 − S1 k)/(S0 S2 − S1²)``, so the farthest sample decides.
    """
    assert used.cutoff_mm is not None
    half = gaussian.half_support(used.spacing_um, used.cutoff_mm)
    weights = gaussian.half_weights(half, used.spacing_um, used.cutoff_mm)
    steps = np.arange(-min(run, half), half + 1, dtype=np.float64)
    present = weights[np.abs(steps).astype(np.intp)]
    return float(present @ (steps * steps)) > float(present @ steps) * half


def _value_bounds(band: _Band, used: UsedSettings) -> tuple[dict[str, float], dict[str, float]]:
    low, high = (each.reshape(used.sections, used.section_points) for each in band)
    smallest = np.maximum(np.maximum(low, -high), 0.0)
    largest = np.maximum(high, -low)
    return (_values(smallest, low.max(axis=1), (-high).max(axis=1), used.standard),
            _values(largest, high.max(axis=1), (-low).max(axis=1), used.standard))


def _values(size: _Floats, peak: _Floats, valley: _Floats, standard: Standard) -> dict[str, float]:
    """Parameters from |r| (sections by samples) and from peak height and valley depth of every section."""
    squares = (size * size).mean(axis=1)
    by_section = standard in {Standard.ISO_4287, Standard.JIS_B_0601}
    over_all = standard is Standard.ASME_B46_1
    return {
        "Ra": float(size.mean()),
        "Rq": float(np.sqrt(squares).mean()) if by_section else math.sqrt(float(squares.mean())),
        "Rp": float(peak.max() if over_all else peak.mean()),
        "Rv": float(valley.max() if over_all else valley.mean()),
        "Rz": max(float((peak + valley).mean()), 0.0),
        "Rpt": float(peak.max()),
        "Rvt": float(valley.max()),
        "Rt": max(float(peak.max() + valley.max()), 0.0),
    }
