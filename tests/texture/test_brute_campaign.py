"""Every kind of surface under every filter and every standard, by the program and by the slow evaluation.

``CROSSLAY_BRUTE_ROUNDS`` times the 224 combinations, with traces that follow from ``CROSSLAY_BRUTE_SEED``; without
it a few of them. The allowance is 1e-6 of a value (1e-4 with the robust filter, which iterates), and near zero as much
of a thousandth of the profile's total height.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from brute_cases import GRIDS, Case, differing
from campaign_counts import campaign_count
from reference import brute_evaluation
from synthetic_surfaces import SURFACES

FILTERS = ("gaussian", "robust", "spline", "2rc", "2rc-zero-phase", "valley-suppressing", "none")
STANDARDS = ("iso-21920", "iso-4287", "asme-b46.1", "jis-b-0601")
COMBINATIONS = list(itertools.product(sorted(SURFACES), FILTERS, STANDARDS))
ROUNDS = campaign_count("CROSSLAY_BRUTE_ROUNDS", short=0, full=10)
SEED = campaign_count("CROSSLAY_BRUTE_SEED", short=20261125, full=20261125)
#: Samples up to which the slow way takes a second or two; its robust filter goes over the trace dozens of times.
MOST_POINTS = {"robust": 250, "spline": 350}


def _case(rng, name, filter_name, standard):
    """A random trace and random settings for one combination."""
    most = MOST_POINTS.get(filter_name, 500)
    runs = {"2rc": 2.0, "2rc-zero-phase": 2.0, "none": 0.0}.get(filter_name, 1.0)
    grids = [(cutoff, dx) for cutoff, dx in GRIDS if int(cutoff * 1000 / dx + 0.5) * (runs + 1.0) <= most]
    cutoff_mm, spacing_um = grids[rng.integers(len(grids))]
    section = int(cutoff_mm * 1000 / spacing_um + 0.5)
    sections = int(rng.integers(1, max(2, min(11, int(most / section - runs) + 1))))
    form = str(rng.choice(["line", "line", "none", "polynomial:2", "polynomial:5", "polynomial:12", "arc"]))
    return Case(
        name=name,
        points=int((sections + runs) * section) + int(rng.integers(-3, 41)),
        spacing_um=spacing_um,
        seed=int(rng.integers(2**32)),
        offset_um=float(rng.choice([0.0, 3.0, 1e4])),
        tilt=float(rng.choice([0.0, 0.002, -0.02])),
        bow_um=20.0 if form == "arc" else float(rng.choice([0.0, 20.0])),
        wanted=brute_evaluation.Wanted(
            standard=standard,
            filter=filter_name,
            cutoff_mm=cutoff_mm,
            short_cutoff_um=(None, 2.5, 8.0, 25.0)[rng.integers(4)],
            waviness_cutoff_mm=(None, None, 3.0 * cutoff_mm)[rng.integers(3)],
            sections=sections,
            form=form,
        ),
    )


def _differing(rng, combination):
    """The case and the values that differ, where some do."""
    case = _case(rng, *combination)
    found = differing(case, 1e-4 if case.wanted.filter == "robust" else 1e-6)
    return (case, found) if found else None


@pytest.mark.parametrize("count", range(max(1, ROUNDS)))
def test_all_combinations_agree(count):
    rng = np.random.default_rng((SEED, count))
    chosen = COMBINATIONS if ROUNDS else rng.permutation(COMBINATIONS)[:6]
    found = [differing_case for each in chosen if (differing_case := _differing(rng, each))]
    print(f"\nround {count}: {len(chosen)} cases, {len(found)} differ")
    assert found == []
