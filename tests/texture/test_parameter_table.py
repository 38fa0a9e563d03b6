"""The table of parameters in DEVELOPERS.md against the program: no symbol, file or check is missing or made up."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from crosslay.texture import Settings, Standard, Trace, evaluate
from crosslay.texture.motif_values import MOTIF_SYMBOLS
from crosslay.texture.requested import request_forms
from crosslay.texture.symbols import always_given
from synthetic_surfaces import surface

ROOT = Path(__file__).parents[2]
TEXTURE = ROOT / "daemon" / "crosslay" / "texture"


def _rows(columns):
    """Cells of the table's rows of so many columns, after the heading "Parameters"."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    _, heading, rest = text.partition("\n## Parameters\n")
    assert heading, "DEVELOPERS.md has no section Parameters"
    section = rest.partition("\n## ")[0]
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in section.splitlines() if line[:1] == "|"]
    return [row for row in rows if len(row) == columns and not row[0].startswith(("symbol", "filter", "---"))]


def _symbols(cell):
    return re.findall(r"`([^`]+)`", cell)


def _defined(path):
    return {node.name for node in ast.walk(ast.parse(path.read_text())) if hasattr(node, "name")}


def test_every_symbol_of_every_standard_is_in_the_table():
    listed = {symbol for row in _rows(5) for cell in row[:2] for symbol in _symbols(cell)}
    expected = set(MOTIF_SYMBOLS) | {form for form in request_forms() if form[0] in "RWP"}
    for standard in Standard:
        expected |= {name for name in always_given(standard) if name[0] == "R" or name in ("Mr1", "Mr2", "Pc(0.5)")}
    assert expected - listed == set()
    assert listed - expected == set()


@pytest.mark.parametrize("columns", [5, 4])
def test_every_function_and_every_check_exists(columns):
    rows = _rows(columns)
    assert len(rows) > 5
    for row in rows:
        (place,), (check,) = _symbols(row[-2]), _symbols(row[-1])
        file, _, function = place.partition("::")
        assert function in _defined(TEXTURE / file), place
        file, _, function = check.partition("::")
        assert function in _defined(ROOT / "tests" / file), check
        assert row[-3], row


def test_what_the_table_offers_is_given():
    """Each form is asked for with numbers that make sense and comes back with a value or a reason."""
    asked = []
    for form in request_forms():
        numbers = {"c": "0.2", "dc": "0.1", "p": "10", "q": "80", "l": "0.5", "h": "0.05"}
        name, bracket, inside = form.partition("(")
        asked.append(f"{name}({','.join(numbers[word] for word in inside[:-1].split(','))})" if bracket else form)
    z = surface("turned", 9601, 0.5, 2)
    done = evaluate(Trace(samples=z, spacing_um=0.5), Settings(cutoff_mm=0.8, parameters=tuple(asked)))
    assert set(asked) <= set(done.parameters)
