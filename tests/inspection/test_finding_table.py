"""The README's table of findings against the program: every identifier with every weight that it can have."""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from pathlib import Path

PROJECT = Path(__file__).parents[2]
TABLE_HEAD = "| finding | weight | what it means | what to do |"


def in_the_program() -> dict[str, set[str]]:
    """Weights by identifier, from every ``Finding(id=…, severity=…)`` of the sources."""
    weights: dict[str, set[str]] = defaultdict(set)
    for path in (PROJECT / "daemon" / "crosslay").rglob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
            if isinstance(call.func, ast.Name) and call.func.id == "Finding":
                given = {keyword.arg: keyword.value for keyword in call.keywords}
                for identifier in _texts(given["id"], tree):
                    weights[identifier] |= _weights(given["severity"])
    return dict(weights)


def _texts(node: ast.expr, tree: ast.Module) -> list[str]:
    """The identifiers that an expression can be; of a parameter, what the function is called with."""
    if isinstance(node, ast.Name):
        functions = [each for each in ast.walk(tree) if isinstance(each, ast.FunctionDef)]
        owner = next(each for each in functions if node in ast.walk(each))
        place = [each.arg for each in owner.args.args].index(node.id)
        calls = [each for each in ast.walk(tree) if isinstance(each, ast.Call)]
        return [text for call in calls if isinstance(call.func, ast.Name) and call.func.id == owner.name
                for text in _texts(call.args[place], tree)]
    if isinstance(node, ast.IfExp):
        return _texts(node.body, tree) + _texts(node.orelse, tree)
    assert isinstance(node, ast.Constant), ast.unparse(node)
    return [str(node.value)]


def _weights(node: ast.expr) -> set[str]:
    named = {each.attr.lower() for each in ast.walk(node)
             if isinstance(each, ast.Attribute) and isinstance(each.value, ast.Name) and each.value.id == "Severity"}
    assert named, f"{ast.unparse(node)}: which weight is it?"
    return named


def in_the_readme() -> dict[str, set[str]]:
    lines = (PROJECT / "README.md").read_text("utf-8").splitlines()
    rows = lines[lines.index(TABLE_HEAD) + 2 :]
    weights: dict[str, set[str]] = {}
    for row in rows[: next(at for at, line in enumerate(rows) if not line.startswith("|"))]:
        names, weight, meaning, remedy = (cell.strip() for cell in row.strip("|").split("|"))
        assert meaning, row
        assert remedy, row
        for name in re.findall(r"`([a-z0-9-]+)`", names):
            assert name not in weights, f"{name} stands in the table twice"
            weights[name] = set(weight.split(", "))
    return weights


def test_every_finding_stands_in_the_readme_with_its_weights() -> None:
    assert in_the_readme() == in_the_program()
