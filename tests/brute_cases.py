"""Traces to evaluate twice: by the program, and slowly from the page *texture* alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from crosslay.errors import TraceTooShortError
from crosslay.texture import FilterKind, Settings, Standard, Trace, evaluate
from reference import brute_evaluation
from synthetic_surfaces import surface

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
        # Skewness is a difference of cubes about 1, and knows the heights no better than their doubles do.
        if symbol.endswith("sk"):
            rounding = 16 * float(np.spacing(np.abs(z).max())) / slow.total[letter]
        if abs(own - value) > relative * max(abs(value), 1e-3 * slow.total[letter]) + rounding:
            found[symbol] = (own, value)
    return found
