"""Published height rms of measured mirror profiles against polynomial form removal and the rms of the primary profile.

Data and licence: tests/data/mirror-profiles (SOURCE.md). The published number is the (n − 1) standard deviation of the
residual column; for these three sets a least-squares polynomial of degree 2 on the measured heights gives the same
within 0.3 % (the facility removed the form in its own way). Figure error of optics, traced with light: good for form
removal and rms, no check of any cut-off filter.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from crosslay.texture import FilterKind, Settings, Trace, evaluate
from crosslay.texture.form import parse_form, remove_form

DATA = Path(__file__).parents[1] / "data" / "mirror-profiles"
SETS = ["010", "012", "015"]


def _load(number):
    columns = np.loadtxt(DATA / f"dabam-{number}.dat", skiprows=1)
    published_nm = json.loads((DATA / f"dabam-{number}.txt").read_text())["CALC_HEIGHT_RMS"]
    return columns[:, 0], columns[:, 1], columns[:, 2], published_nm


@pytest.mark.parametrize("number", SETS)
def test_rms_of_the_residual_column_is_the_published_number(number):
    """Rq divides by n, the published number by n − 1."""
    x_mm, _, residual_nm, published_nm = _load(number)
    points = x_mm.size
    spacing_um = 1000 * (x_mm[-1] - x_mm[0]) / (points - 1)
    section_mm = points * spacing_um / 1000
    done = evaluate(
        Trace(samples=residual_nm / 1000, spacing_um=spacing_um),
        Settings(cutoff_mm=section_mm, filter=FilterKind.NONE, short_cutoff_um=None, form="polynomial:0", sections=1),
    )
    assert done.settings.window_points == points
    assert done.parameters["Rq"] * 1000 * np.sqrt(points / (points - 1)) == pytest.approx(published_nm, rel=2e-4)


@pytest.mark.parametrize("number", SETS)
def test_a_parabola_removes_the_form_to_the_published_rms(number):
    x_mm, height_nm, _, published_nm = _load(number)
    points = x_mm.size
    spacing_um = 1000 * (x_mm[-1] - x_mm[0]) / (points - 1)
    residual_um = remove_form(height_nm / 1000, spacing_um, parse_form("polynomial:2"))
    rms_nm = 1000 * np.sqrt(residual_um @ residual_um / (points - 1))
    assert rms_nm == pytest.approx(published_nm, rel=3e-3)


@pytest.mark.parametrize("number", SETS)
def test_an_arc_and_a_parabola_agree_on_a_nearly_flat_mirror(number):
    x_mm, height_nm, _, _ = _load(number)
    spacing_um = 1000 * (x_mm[-1] - x_mm[0]) / (x_mm.size - 1)
    parabola = remove_form(height_nm / 1000, spacing_um, parse_form("polynomial:2"))
    arc = remove_form(height_nm / 1000, spacing_um, parse_form("arc"))
    assert np.abs(arc - parabola).max() < 1e-6 * np.abs(height_nm).max()
