"""Surfaces as the processes leave them, and what a round tip makes of them. Pure: numbers in, heights out.

Lengths along the surface are in mm where a name says so, all heights in µm. x begins at 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Heights = NDArray[np.float64]

#: Neighbouring grooves that can reach a point. A groove m feeds away lies 4 m² Rt higher there, so with the depth
#: scatter that the options allow (far less than 4·3² Rt) the fourth neighbour never cuts.
_NEIGHBOURS = 3
#: How much of the edge's shape one revolution hands to the next (our choice: a built-up edge lives some five turns).
_EDGE_MEMORY = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Turning:
    """Longitudinal turning with a round tool nose.

    Attributes
    ----------
    feed_mm, nose_radius_mm
        Feed per revolution f and nose radius r, mm; f ≤ r.
    feed_scatter_percent
        Standard deviation of a groove's place, percent of f.
    built_up_edge_percent
        Standard deviation of the groove's depth and of the cutting edge's shape, percent of Rt = f²/(8r): work
        material that welds itself to the edge, grows and breaks off.
    chatter_percent, chatter_period_rev
        Peak to valley of a periodic depth error in percent of Rt, and its period in revolutions.
    teeth, run_out_percent
        For a milling cutter, whose `feed_mm` is that of a tooth: number of teeth, and standard deviation of their
        heights in percent of Rt. One tooth is a turning tool.
    """

    feed_mm: float
    nose_radius_mm: float
    feed_scatter_percent: float = 0.0
    built_up_edge_percent: float = 0.0
    chatter_percent: float = 0.0
    chatter_period_rev: float = 6.5
    teeth: int = 1
    run_out_percent: float = 0.0

    @property
    def groove_height_um(self) -> float:
        """Theoretical Rt = f²/(8r), µm (handbook geometry)."""
        return 1000.0 * self.feed_mm**2 / (8.0 * self.nose_radius_mm)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grooves:
    """One cut, revolution by revolution.

    Attributes
    ----------
    turning
        How it was cut.
    start_um
        Where the first groove would be without scatter, µm; the others follow at the feed.
    centres_um
        Where the tool passed, shape (K,), ascending, µm.
    depths_um
        How much higher or lower than the undisturbed cut, shape (K,), µm.
    edges_um
        Deviation of the cutting edge from its arc, shape (K, 2h + 1), µm: columns from −h to +h samples beside the
        centre, held beyond.
    """

    turning: Turning
    start_um: float
    centres_um: Heights
    depths_um: Heights
    edges_um: Heights


def grooves(turning: Turning, points: int, spacing_um: float, rng: np.random.Generator) -> Grooves:
    """Draw the grooves that can reach a trace of `points` samples, beginning anywhere in a groove."""
    feed_um = turning.feed_mm * 1000.0
    count = math.ceil((points - 1) * spacing_um / feed_um) + 2 * _NEIGHBOURS + 3
    number = np.arange(count)
    start_um = -(_NEIGHBOURS + rng.uniform()) * feed_um
    place = number + rng.standard_normal(count) * turning.feed_scatter_percent / 100.0
    return Grooves(turning=turning, start_um=start_um, centres_um=np.sort(start_um + place * feed_um),
                   depths_um=_depths(turning, number, rng), edges_um=_edges(turning, count, spacing_um, rng))


def turned(turning: Turning, points: int, spacing_um: float, rng: np.random.Generator) -> Heights:
    """Heights along the axis of a turned part: the lower envelope of the tool's arcs, one per revolution.

    Parameters
    ----------
    turning
        The cut.
    points, spacing_um
        Number N and spacing of the samples, µm.
    rng
        Source of the scatter and of where in a groove the trace begins.

    Returns
    -------
    ndarray, shape (N,)
        µm; 0 is the bottom of an undisturbed groove.
    """
    return envelope(grooves(turning, points, spacing_um, rng), points, spacing_um)


def envelope(cut: Grooves, points: int, spacing_um: float) -> Heights:
    """Lower envelope of the grooves at N samples from x = 0, µm, shape (N,). Looks at the nearest grooves only."""
    feed_um, radius_um = cut.turning.feed_mm * 1000.0, cut.turning.nose_radius_mm * 1000.0
    x_um = np.arange(points) * spacing_um
    last = cut.centres_um.size - 1 - _NEIGHBOURS
    nearest = np.clip(np.round((x_um - cut.start_um) / feed_um).astype(np.intp), _NEIGHBOURS, last)
    surface = np.full(points, np.inf)
    for neighbour in range(-_NEIGHBOURS, _NEIGHBOURS + 1):
        groove = nearest + neighbour
        away_um = x_um - cut.centres_um[groove]
        inside = np.abs(away_um) < radius_um
        arc = radius_um - np.sqrt(np.where(inside, radius_um**2 - away_um**2, 0.0))
        edge = _edge_at(cut.edges_um, groove, away_um / spacing_um)
        np.minimum(surface, np.where(inside, arc + cut.depths_um[groove] + edge, np.inf), out=surface)
    return surface


def _depths(turning: Turning, number: NDArray[np.intp], rng: np.random.Generator) -> Heights:
    """Depth error of each groove, µm, shape of `number`."""
    height = turning.groove_height_um
    phase = 2.0 * math.pi * (number / turning.chatter_period_rev + rng.uniform())
    chatter = 0.5 * height * turning.chatter_percent / 100.0 * np.sin(phase)
    wander = _remembering(rng.standard_normal((number.size, 1)))[:, 0]
    depths = np.asarray(chatter + height * turning.built_up_edge_percent / 100.0 * wander)
    if turning.teeth > 1:
        of_tooth = height * turning.run_out_percent / 100.0 * rng.standard_normal(turning.teeth)
        depths += of_tooth[number % turning.teeth]
    return depths


def _edges(turning: Turning, count: int, spacing_um: float, rng: np.random.Generator) -> Heights:
    """Deviation of the cutting edge from its arc, µm, shape (count, 2h + 1): columns from −f to +f by the spacing."""
    half = math.ceil(turning.feed_mm * 1000.0 / spacing_um)
    grain = turning.feed_mm * 1000.0 / 12.0 / spacing_um  # samples; a dozen marks to a groove (our choice)
    shapes = np.stack([correlated(2 * half + 1, grain, rng) for _ in range(count)])
    amplitude = turning.groove_height_um * turning.built_up_edge_percent / 100.0
    return amplitude * _remembering(shapes)


def _remembering(rows: Heights) -> Heights:
    """First-order memory from row to row that keeps the variance."""
    fresh = math.sqrt(1.0 - _EDGE_MEMORY**2)
    for i in range(1, rows.shape[0]):
        rows[i] = _EDGE_MEMORY * rows[i - 1] + fresh * rows[i]
    return rows


def _edge_at(edges: Heights, groove: NDArray[np.intp], away: Heights) -> Heights:
    """Edge deviation at a distance (in samples) from the groove's centre, linear between columns."""
    half = (edges.shape[1] - 1) // 2
    column = np.clip(away + half, 0.0, 2.0 * half - 1e-9)
    left = column.astype(np.intp)
    share = column - left
    return np.asarray(edges[groove, left] * (1.0 - share) + edges[groove, left + 1] * share)


def correlated(points: int, length: float, rng: np.random.Generator) -> Heights:
    """Gaussian noise with exponential autocorrelation ``exp(−|lag|/length)``, variance 1 in expectation.

    Exact by construction: the first-order autoregression is the sampled process of that autocorrelation.

    Parameters
    ----------
    points
        N.
    length
        Correlation length in samples; 0 gives white noise.
    rng
        Source.

    Returns
    -------
    ndarray, shape (N,)
    """
    keep = math.exp(-1.0 / length) if length > 0 else 0.0
    white = rng.standard_normal(points)
    white[1:] *= math.sqrt(1.0 - keep * keep)
    return _autoregression(white, keep)


def _autoregression(drive: Heights, keep: float) -> Heights:
    """``y[i] = keep·y[i−1] + drive[i]`` by doubling: after step k each y holds the last 2ᵏ terms. O(N log(1/keep))."""
    out = drive.copy()
    step, weight = 1, keep
    while step < out.size and weight > 1e-18:
        out[step:] += weight * out[:-step]
        step, weight = 2 * step, weight * weight
    return out


def ground(points: int, spacing_um: float, rng: np.random.Generator, *, correlation_um: float,
           skewness: float) -> Heights:
    """Heights across the lay of a ground part: random, exponentially correlated, valleys deeper than peaks are high.

    The heights are ``g + a (g² − 1)`` of a correlated Gaussian g, with `a` chosen so that their skewness is the one
    asked for; mean 0, standard deviation 1, both in expectation.

    Parameters
    ----------
    points, spacing_um
        Number N and spacing of the samples, µm.
    rng
        Source.
    correlation_um
        Lag at which the autocorrelation of g has fallen to 1/e, µm.
    skewness
        Rsk of the heights; ground surfaces have a slightly negative one (*common practice, no source*).

    Returns
    -------
    ndarray, shape (N,)

    References
    ----------
    Exponential autocorrelation of ground surfaces: D. J. Whitehouse, J. F. Archard, "The properties of random
    surfaces of significance in their contact", Proc. R. Soc. Lond. A 316 (1970) 97-121 (from memory).
    """
    g = correlated(points, correlation_um / spacing_um, rng)
    a = _bend(skewness)
    return np.asarray((g + a * (g * g - 1.0)) / math.sqrt(1.0 + 2.0 * a * a))


def _bend(skewness: float) -> float:
    """Solve ``(6a + 8a³)/(1 + 2a²)^1.5 = skewness`` for a: moments of g + a(g² − 1), g standard normal."""
    low, high = -1.0, 1.0  # there the skewness is ∓2.69, beyond every permitted one, and it grows with a
    for _ in range(60):
        middle = 0.5 * (low + high)
        if (6.0 * middle + 8.0 * middle**3) / (1.0 + 2.0 * middle**2) ** 1.5 < skewness:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def honed(points: int, spacing_um: float, rng: np.random.Generator, *, plateau_percent: float, grooves_per_mm: float,
          groove_width_um: float) -> Heights:
    """Heights across a plateau-honed bore: a fine plateau, cut by grooves of the coarse stones at random places.

    The lower of two processes. Grooves are parabolic, between 0.3 and 1 deep and 0.5 to 1.5 times as wide as given (our
    choice); both directions of the cross-hatch look alike in a trace along the bore.

    Parameters
    ----------
    points, spacing_um
        Number N and spacing of the samples, µm.
    rng
        Source.
    plateau_percent
        Standard deviation of the plateau, percent of the deepest groove.
    grooves_per_mm
        Mean number of grooves per mm; their number on a trace is Poisson-distributed.
    groove_width_um
        Mean width of a groove, µm.

    Returns
    -------
    ndarray, shape (N,)

    References
    ----------
    Stratified surfaces as the lower of two processes: ISO 13565-3 (from memory).
    """
    x_um = np.arange(points) * spacing_um
    plateau = plateau_percent / 100.0 * correlated(points, 8.0 / spacing_um, rng)
    grooves = np.zeros(points)
    for _ in range(int(rng.poisson(grooves_per_mm * x_um[-1] / 1000.0))):
        place, depth = rng.uniform(0.0, x_um[-1]), rng.uniform(0.3, 1.0)
        half = groove_width_um * rng.uniform(0.25, 0.75)
        first, last = np.searchsorted(x_um, (place - half, place + half))
        arc = depth * (((x_um[first:last] - place) / half) ** 2 - 1.0)
        np.minimum(grooves[first:last], arc, out=grooves[first:last])
    return np.asarray(plateau + grooves)


def triangles(points: int, spacing_um: float, rng: np.random.Generator, *, pitch_um: float, ra_um: float) -> Heights:
    """A periodic specimen of isosceles triangles, begun anywhere in one; mean 0, µm, shape (N,).

    References
    ----------
    ISO 5436-1, type C2: Ra is half the amplitude, a quarter of the height (page *reference-values*, section 6).
    """
    turns = np.arange(points) * (spacing_um / pitch_um) + rng.uniform()
    return np.asarray(2.0 * ra_um * (4.0 * np.abs(turns % 1.0 - 0.5) - 1.0))


def along_groove(points: int, spacing_um: float, rng: np.random.Generator) -> Heights:
    """Heights along a groove instead of across: long swells and a little fine texture; standard deviation about 1.

    Correlated over 0.3 mm and, a tenth as high, over 10 µm (our choice): nothing in it repeats with the feed.
    """
    swell = _smoothed(correlated(points, 300.0 / spacing_um, rng), round(50.0 / spacing_um))
    return np.asarray(swell + 0.1 * correlated(points, 10.0 / spacing_um, rng))


def _smoothed(heights: Heights, reach: int) -> Heights:
    """Mean over ±`reach` samples; a stylus in a groove knows no corners."""
    padded = np.pad(heights, (reach + 1, reach), mode="edge")
    total = np.cumsum(padded)
    width = 2 * reach + 1
    return np.asarray((total[width:] - total[:-width]) / width)


def waviness(points: int, spacing_um: float, rng: np.random.Generator, *, height_um: float,
             length_mm: float) -> Heights:
    """Guideway and spindle errors: one dominant wave and two weaker ones, µm, shape (N,).

    Peak to valley is `height_um` where the trace holds a whole wave, less on a shorter trace.
    """
    x_mm = np.arange(points) * (spacing_um / 1000.0)
    wave = np.zeros(points)
    for share, stretch in ((0.7, 1.0), (0.2, 0.62), (0.1, 1.7)):
        length = length_mm * stretch * rng.uniform(0.9, 1.1)
        wave += 0.5 * height_um * share * np.sin(2.0 * math.pi * (x_mm / length + rng.uniform()))
    return wave


def traced(surface: Heights, spacing_um: float, tip_radius_um: float) -> Heights:
    """Path of a spherical tip over the surface: dilation by a disk, minus its radius. µm, shape (N,).

    References
    ----------
    ISO 16610-41: morphological filters, dilation with a disk.
    """
    reach = min(int(tip_radius_um / spacing_um), surface.size - 1)
    path = surface.copy()
    for shift in range(1, reach + 1):
        drop = tip_radius_um - math.sqrt(max(tip_radius_um**2 - (shift * spacing_um) ** 2, 0.0))
        np.maximum(path[shift:], surface[:-shift] - drop, out=path[shift:])
        np.maximum(path[:-shift], surface[shift:] - drop, out=path[:-shift])
    return path


def roughness(profile: Heights, spacing_um: float, cutoff_mm: float) -> Heights:
    """Profile minus its Gaussian mean line, without half a cut-off at either end where the trace can spare it, µm.

    The profile is mirrored at its ends; good enough to scale a surface by, not a measurement.

    References
    ----------
    ISO 16610-21: transmission of the mean line ``2^−(λc/λ)²``.
    """
    # Two cut-offs of mirror image at either end outlast the weight (ten standard deviations); then a length that is
    # quickly transformed.
    margin = min(math.ceil(2000.0 * cutoff_mm / spacing_um), 2 * profile.size)
    mirrored = np.pad(profile, margin, mode="symmetric")
    length = 1 << (mirrored.size - 1).bit_length()
    per_mm = np.fft.rfftfreq(length, spacing_um / 1000.0)
    spectrum = np.fft.rfft(mirrored, length) * np.exp2(-((cutoff_mm * per_mm) ** 2))
    mean_line = np.fft.irfft(spectrum, length)[margin : margin + profile.size]
    half = round(500.0 * cutoff_mm / spacing_um)
    inside = slice(half, profile.size - half) if profile.size > 4 * half else slice(None)
    return np.asarray((profile - mean_line)[inside])


def scaled_to_ra(surface: Heights, spacing_um: float, *, ra_um: float, cutoff_mm: float,
                 tip_radius_um: float) -> Heights:
    """The traced path over `surface`, stretched in height so that its roughness profile has the Ra asked for.

    The tip reaches less deep into a higher surface, so the factor is found in a few rounds; afterwards Ra is met to
    better than 1e-6 where the tip matters little and to about 1e-3 where it matters much.
    """
    factor = 1.0
    path = traced(surface, spacing_um, tip_radius_um)
    for _ in range(6):
        ra_now = float(np.mean(np.abs(roughness(path, spacing_um, cutoff_mm))))
        if ra_now == 0.0:
            return path
        if abs(ra_now - ra_um) <= 1e-9 * ra_um:
            break
        factor *= ra_um / ra_now
        path = traced(factor * surface, spacing_um, tip_radius_um)
    return path
