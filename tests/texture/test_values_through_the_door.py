"""Values that `evaluate` gives under its symbols, against the slow reference on the profiles that it returns."""

from __future__ import annotations

import numpy as np
import pytest

from crosslay.texture import FilterKind, Settings, Standard, Trace, evaluate
from curve_cases import assert_close
from reference import brute_curve
from synthetic_surfaces import SURFACES, surface

ASKED = ("Rmr(0.3)", "Rmc(30)", "Rdc(5,60)", "Pc(0.2)", "Rmr(5,0.4)")


def _levelled(z):
    """Less its least-squares line."""
    x = np.arange(z.size) - 0.5 * (z.size - 1)
    return z - z.mean() - x * (x @ z) / (x @ x)


def _window(found, letter):
    profiles = found.profiles
    part = slice(profiles.start, profiles.stop)
    if letter == "R":
        return profiles.roughness[part]
    return _levelled(profiles.primary[part] if letter == "P" else profiles.waviness[part])


@pytest.mark.parametrize("letter", "RPW")
@pytest.mark.parametrize("name", sorted(SURFACES))
def test_curve_slope_and_spectral_values_of_all_three_profiles(name, letter):
    z = surface(name, 2000, 1.0, 12) + 0.002 * np.arange(2000)
    found = evaluate(Trace(samples=z, spacing_um=1.0), Settings(cutoff_mm=0.25, parameters=ASKED))
    values, window = found.parameters, _window(found, letter)
    profile, total = window.tolist(), float(np.ptp(window))
    expected = {
        "dc(20,80)": brute_curve.height_at(profile, 20.0) - brute_curve.height_at(profile, 80.0),
        **brute_curve.volumes(profile, 10.0, 80.0),
        **brute_curve.slope_values(profile, 1.0),
        **brute_curve.length_values(profile, 1.0),
        "al": brute_curve.correlation_length(profile, 1.0),
    }
    if brute_curve.core_window(profile)[2] > 1e-6 * total:
        expected |= brute_curve.core(profile)
    if letter == "R":
        expected["sw"] = brute_curve.dominant_wavelength(profile, 1.0)
    for stem, value in expected.items():
        key = letter + stem
        if value is None:
            assert values[key] is None, key
        else:
            assert_close(values[key], value, 0.0 if stem in ("dr", "dq", "da", "dt") else total)


@pytest.mark.parametrize("name", sorted(SURFACES))
def test_values_that_are_asked_for(name):
    z = surface(name, 2000, 1.0, 4)
    found = evaluate(Trace(samples=z, spacing_um=1.0), Settings(cutoff_mm=0.25, parameters=ASKED))
    window = _window(found, "R")
    profile, total = window.tolist(), float(np.ptp(window))
    expected = {
        "Rmr(0.3)": brute_curve.ratio_at(profile, 0.3),
        "Rmc(30)": brute_curve.height_at(profile, 30.0),
        "Rdc(5,60)": brute_curve.height_at(profile, 5.0) - brute_curve.height_at(profile, 60.0),
        "Pc(0.2)": brute_curve.band_count(profile, 1.0, 0.2),
        "Rmr(5,0.4)": brute_curve.ratio_below(profile, 5.0, 0.4),
        "Pc(0.5)": brute_curve.band_count(profile, 1.0, 0.5),
    }
    for key, value in expected.items():
        assert_close(found.parameters[key], value, total)


@pytest.mark.parametrize("name", sorted(SURFACES))
@pytest.mark.parametrize("kind", [FilterKind.GAUSSIAN, FilterKind.NONE])
def test_ten_points_and_old_symbols(name, kind):
    z = surface(name, 4000, 1.0, 9)
    z = z - z.mean()
    old = evaluate(Trace(samples=z, spacing_um=1.0), Settings(standard=Standard.ISO_4287, cutoff_mm=0.25, filter=kind))
    window = _window(old, "R")
    profile, total = window.tolist(), float(np.ptp(window))
    if brute_curve.core_window(profile)[2] > 1e-6 * total:
        core = brute_curve.core(profile)
        for symbol, stem in (("Rk", "k"), ("Rpk", "pk"), ("Rvk", "vk"), ("Mr1", "mrk1"), ("Mr2", "mrk2")):
            assert_close(old.parameters[symbol], core[stem], total)
    jis = evaluate(
        Trace(samples=z, spacing_um=1.0), Settings(standard=Standard.JIS_B_0601, cutoff_mm=0.25, filter=kind)
    )
    expected = brute_curve.ten_point(_window(jis, "R").tolist(), jis.settings.section_points)
    if expected is None:
        assert jis.parameters["RzJIS"] is None
    else:
        assert_close(jis.parameters["RzJIS"], expected, total)
