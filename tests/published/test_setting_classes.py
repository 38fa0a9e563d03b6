"""``crosslay settings`` against the tables of the standards, below, at and above every limit.

The tables are copied by hand from page *reference-values*, sections 1.1 to 1.4, where it says how far each cell can be
trusted: the columns of ISO 21920-3 for Rz, Ra, Nic, lsc and le and the first two rows of ISO 4288 were seen, the rest
is from memory. Nothing here is taken from the program.
"""

from __future__ import annotations

import math
from decimal import Decimal

import pytest

from command_line import crosslay

# λc = section length mm, evaluation length mm, λs µm, largest tip radius µm, largest spacing µm.
# Source: ISO 21920-3:2021 setting classes Sc1 to Sc5; ISO 4288:1996; ISO 3274:1996 table 1; ASME B46.1.
ROWS = (
    ("Sc1", "0.08", "0.4", "2.5", "2", "0.5"),
    ("Sc2", "0.25", "1.25", "2.5", "2", "0.5"),
    ("Sc3", "0.8", "4", "2.5", "2", "0.5"),
    ("Sc4", "2.5", "12.5", "8", "5", "1.5"),
    ("Sc5", "8", "40", "25", "10", "5"),
)
# Upper bounds of the first four rows, inclusive; the last row is open.
BOUNDS = {
    # ISO 21920-3:2021, clause 4.4.3.
    ("iso-21920", "Rz"): ("0.16", "0.8", "16", "80"),
    ("iso-21920", "Ra"): ("0.02", "0.1", "2", "10"),
    # ISO 21920-3 as at hand has no column for Rsm; that of ISO 4288 serves (decision: texture/settings.py).
    ("iso-21920", "Rsm"): ("0.04", "0.13", "0.4", "1.3"),
    # ISO 4288:1996, tables 1 to 3.
    ("iso-4287", "Ra"): ("0.02", "0.1", "2", "10"),
    ("iso-4287", "Rz"): ("0.1", "0.5", "10", "50"),
    ("iso-4287", "RSm"): ("0.04", "0.13", "0.4", "1.3"),
    # ASME B46.1 (section 1.4: Ra and RSm; it prints no Rz).
    ("asme-b46.1", "Ra"): ("0.02", "0.1", "2", "10"),
    ("asme-b46.1", "RSm"): ("0.04", "0.13", "0.4", "1.3"),
    # JIS B 0633 has the tables of ISO 4288 (common practice, no source).
    ("jis-b-0601", "Ra"): ("0.02", "0.1", "2", "10"),
    ("jis-b-0601", "Rz"): ("0.1", "0.5", "10", "50"),
    ("jis-b-0601", "RSm"): ("0.04", "0.13", "0.4", "1.3"),
}
KEYS = ("settingClass", "section_length_mm", "evaluation_length_mm", "short_cutoff_um", "tip_radius_um",
        "max_spacing_um")


def exact(value: float) -> str:
    """All digits of a binary number, so that the command reads the very same one."""
    return format(Decimal(value), "f")


def row_of(place: int, standard: str) -> tuple[object, ...]:
    name, section, evaluation, short, tip, spacing = ROWS[place]
    # Design: texture, section 3: there is no λs by default under jis-b-0601.
    short_um = None if standard == "jis-b-0601" else float(short)
    return (name, float(section), float(evaluation), short_um, float(tip), float(spacing))


def shown(texts: list[str], standard: str) -> list[tuple[object, ...]]:
    ran = crosslay("settings", "; ".join(texts), "--standard", standard, "--json")
    assert (ran.code, ran.err) == (0, "")
    return [tuple(each[key] for key in KEYS) for each in ran.objects()]


@pytest.mark.parametrize("side", ["", "U ", "L "])
@pytest.mark.parametrize(("standard", "parameter"), BOUNDS)
def test_below_at_and_above_every_limit(standard, parameter, side):
    for place, text in enumerate(BOUNDS[standard, parameter]):
        bound = float(text)
        values = (math.nextafter(bound, 0.0), bound, math.nextafter(bound, math.inf))
        # One at a time: beside an upper limit a lower one takes the class of the upper.
        got = [shown([f"{side}{parameter} {exact(value)}"], standard)[0] for value in values]
        assert got == [row_of(place, standard), row_of(place, standard), row_of(place + 1, standard)]


@pytest.mark.parametrize(("standard", "parameter"), BOUNDS)
def test_the_first_and_the_last_row_are_open(standard, parameter):
    ends = [shown([f"{parameter} {value}"], standard)[0] for value in ("0.000001", "1000")]
    assert ends == [row_of(0, standard), row_of(4, standard)]


# ISO 21920-3:2021, clause 4.4.4 (title seen): the upper limit of a bilateral requirement decides.
@pytest.mark.parametrize(("standard", "parameter"), BOUNDS)
def test_of_two_limits_the_upper_one_decides(standard, parameter):
    low = BOUNDS[standard, parameter][0]
    for place, text in enumerate(BOUNDS[standard, parameter]):
        for upper, expected in ((float(text), place), (math.nextafter(float(text), math.inf), place + 1)):
            pair = [f"U {parameter} {exact(upper)}", f"L {parameter} {low}"]
            for texts in (pair, pair[::-1]):
                assert shown(texts, standard) == [row_of(expected, standard)] * 2


def test_the_editions_part_company_over_rz():
    """Section 1.2, trap: Rz 12 µm is λc 0.8 mm under ISO 21920-3 and 2.5 mm under ISO 4288."""
    assert shown(["Rz 12"], "iso-21920") == [row_of(2, "iso-21920")]
    assert shown(["Rz 12"], "iso-4287") == [row_of(3, "iso-4287")]


# Travel: half a cut-off before and behind for the Gaussian filter (section 1.1: common practice): 4.8 mm for 0.8 mm.
@pytest.mark.parametrize("place", range(5))
def test_travel_has_half_a_cut_off_at_either_end(place):
    name, section, evaluation = ROWS[place][:3]
    (got,) = crosslay("settings", f"{name} Ra 1", "--json").objects()
    assert Decimal(str(got["travel_mm"])) == Decimal(evaluation) + Decimal(section)
    assert (got["cutoff_mm"], got["sections"], got["settingClass"]) == (float(section), 5, name)


# Source: ASME B46.1 as in section 1.4 (from memory): the µin column of Ra prints 0.8, 4, 80 and 400. These are nominal
# (80 µin are 2.032 µm), so the unit that the drawing uses decides which column is read.
def test_limits_in_micro_inches_are_looked_up_in_their_own_column():
    for place, bound in enumerate((0.8, 4.0, 80.0, 400.0)):
        values = (math.nextafter(bound, 0.0), bound, bound * (1 + 1e-12))
        got = [shown([f"Ra {exact(value)} µin"], "asme-b46.1")[0] for value in values]
        assert got == [row_of(place, "asme-b46.1"), row_of(place, "asme-b46.1"), row_of(place + 1, "asme-b46.1")]
    assert shown(["Ra 2.032"], "asme-b46.1") == [row_of(3, "asme-b46.1")]
    assert shown(["U Ra 80 uin", "L Ra 4 uin"], "asme-b46.1") == [row_of(2, "asme-b46.1")] * 2
    assert "4 < Ra ≤ 80 µin" in crosslay("settings", "Ra 80 uin", "--standard", "asme-b46.1").out


# The ISO tables have no such column: 1 µin is 0.0254 µm exactly, and 80 µin lie above 2 µm.
@pytest.mark.parametrize(("micro_inches", "place"), [("78.7", 2), ("80", 3), ("3.9", 1), ("4", 2)])
def test_limits_in_micro_inches_are_converted_exactly_for_the_other_tables(micro_inches, place):
    assert shown([f"Ra {micro_inches} µin"], "iso-21920") == [row_of(place, "iso-21920")]
