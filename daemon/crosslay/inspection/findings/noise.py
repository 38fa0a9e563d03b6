"""Noise floor: the noise of gauge, drive and surroundings is not small beside the texture.

Beyond λs a traced surface falls quickly (the tip alone sees to that), noise of the electronics does not: it is white.
So the level of the highest quarter of the spectrum, less what a spectrum falling as 1/f² would leave there, is taken as
noise over the whole band, and the share of it that λs lets through is its Rq0. Surfaces whose spectrum falls faster
leave less: the estimate errs towards silence, except where the spacing is so coarse that the surface itself reaches the
end of the spectrum; there nothing is said. The level is the median over sixteen pieces of the trace, so that a spike,
a scratch or a jump is no noise. A gauge that knows its Rq0 from a standstill says so (fact ``rq0_um``).

Noise and texture add as squares, so a share s = Rq0/Rq makes Rq too large by about s²/2: 0.1 costs 0.5 %, 0.2 costs
2 %, 0.4 costs 8 %. Extremes such as Rz suffer in proportion to s itself. From 0.2 on it is said.

References
----------
Rq² + Rq0² for uncorrelated noise: page *reference-values*, section 7. Gaussian λs: ISO 16610-21, transmission
2^−(λs/λ)². Limit and estimate: our decision.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from crosslay.inspection.findings.lines import fact
from crosslay.inspection.findings.subject import Subject
from crosslay.texture.trace import Finding, Severity

Heights = NDArray[np.float64]

NOISE_SHARE: Final = 0.2
_SPACINGS_PER_SHORT_CUTOFF: Final = 4.9
"""λs must hold so many spacings (the tables ask for five), else the spectrum ends inside of the surface's own."""
_PIECES: Final = 16
_LEAST_PIECE: Final = 128


def noise_floor(subject: Subject) -> Finding | None:
    """Warn where the noise's Rq0 is a fifth of Rq or more; None where it cannot be told from the surface."""
    rq_um = float(np.median(subject.evaluation.sections["Rq"]))
    if rq_um <= 0.0:
        return None
    known_um = fact(subject.trace, "rq0_um")
    rq0_um = known_um if known_um is not None else noise_rq_um(subject)
    if rq0_um is None or rq0_um < NOISE_SHARE * rq_um:
        return None
    share = min(rq0_um / rq_um, 1.0)
    too_large_percent = 100.0 * (1.0 / math.sqrt(1.0 - share**2) - 1.0) if share < 1.0 else math.inf
    added = f"Rq is too large by about {too_large_percent:.2g} %" if share < 0.9 else "the trace is noise"
    return Finding(
        id="noise-floor",
        severity=Severity.WARNING,
        text=f"Noise with an Rq0 of {rq0_um:.3g} µm is {share:.0%} of Rq: {added}, and Rz by more. Keep vibration "
        "and draught away, check the gauge's cable and amplifier, and choose its finest range.",
        evidence={"rq0_um": rq0_um, "share_percent": 100.0 * share},
    )


def noise_rq_um(subject: Subject) -> float | None:
    """Rq0 of the white noise in a trace after λs, µm; None where its spectrum ends too early to show it."""
    trace, short_um = subject.trace, subject.evaluation.settings.short_cutoff_um
    if short_um is None or short_um < _SPACINGS_PER_SHORT_CUTOFF * trace.spacing_um or trace.positions_mm is not None:
        return None
    white_um2 = _white_variance_um2(trace.heights_um())
    if white_um2 is None:
        return None
    highest_per_um = 0.5 / trace.spacing_um
    width = math.sqrt(2.0 * math.log(2.0)) * short_um
    passed = math.sqrt(math.pi) / (2.0 * width * highest_per_um) * math.erf(width * highest_per_um)
    return math.sqrt(white_um2 * passed)


def _white_variance_um2(heights_um: Heights) -> float | None:
    """Variance of the white part over the whole band, µm²: level of the top quarter without a part that falls as 1/f².

    Two levels l = w + b·m in two bands with mean m of 1/f² give w = (r·l₂ − l₁)/(r − 1), r = m₁/m₂.
    """
    size = heights_um.size // _PIECES
    if size < _LEAST_PIECE:
        return None
    pieces = heights_um[: _PIECES * size].reshape(_PIECES, size)
    window = np.hanning(size)
    transform = fft.rfft((pieces - pieces.mean(axis=1, keepdims=True)) * window)
    # The expectation for white noise of variance σ² is σ² times the sum of the squared window at every bin.
    power = (transform.real**2 + transform.imag**2) / float(window @ window)
    edges = [round(share * (power.shape[1] - 1)) for share in (0.5, 0.75, 0.98)]
    lower, upper = (float(np.median(power[:, low:high].mean(axis=1))) for low, high in pairwise(edges))
    # The mean of 1/f² from a to b is 1/(ab).
    ratio = edges[2] / edges[0]
    return max(0.0, float((ratio * upper - lower) / (ratio - 1.0)))
