"""Every registered gauge and indicator, built in or not, is complete: options, sample, README, conformance."""

from __future__ import annotations

import ast
import importlib
import inspect
import re
import tomllib
from pathlib import Path
from typing import Any

import pydantic
import pytest

from crosslay import registry
from crosslay.ports import AdapterConfig

#: Kind of adapter: the table of the station file that names it, and the suite that it is held to.
KINDS = {registry.GAUGES: ("gauge", "GaugeConformance"), registry.INDICATORS: ("indicator", "IndicatorConformance")}
HEADINGS = ("Wiring", "Settings", "What can go wrong", "Cautions")
REGISTERED = [pytest.param(group, name, id=name) for group in KINDS for name in registry.names(group)]
HERE = Path(__file__).parent


def folder_of(adapter: type[Any]) -> Path:
    """Folder of the package that the adapter is exported by."""
    module = importlib.import_module(adapter.__module__)
    source = Path(inspect.getfile(module))
    return source.parent


def sample_of(group: str, adapter: type[Any]) -> dict[str, Any]:
    table = tomllib.loads((folder_of(adapter) / "sample.toml").read_text("utf-8"))[KINDS[group][0]]
    return dict(table[0] if isinstance(table, list) else table)


def test_the_walk_meets_the_built_in_adapters() -> None:
    """A walk over nothing would pass every check."""
    assert {"file-drop", "simulated"} <= set(registry.names(registry.GAUGES))
    assert {"log-only", "sysfs-led"} <= set(registry.names(registry.INDICATORS))


@pytest.mark.parametrize(("group", "name"), REGISTERED)
def test_the_sample_is_valid(group: str, name: str) -> None:
    adapter = registry.load(group, name)
    options = sample_of(group, adapter)
    assert options.pop("adapter") == name
    adapter.Config.model_validate(options)


@pytest.mark.parametrize(("group", "name"), REGISTERED)
def test_extra_keys_are_refused_with_their_name(group: str, name: str) -> None:
    adapter = registry.load(group, name)
    assert issubclass(adapter.Config, AdapterConfig)
    options = sample_of(group, adapter)
    del options["adapter"]
    with pytest.raises(pydantic.ValidationError) as caught:
        adapter.Config.model_validate({**options, "colour_of_the_sky": "blue"})
    errors = caught.value.errors()
    assert [(error["loc"], error["type"]) for error in errors] == [(("colour_of_the_sky",), "extra_forbidden")]


@pytest.mark.parametrize(("group", "name"), REGISTERED)
def test_values_are_not_coerced(group: str, name: str) -> None:
    """A number written as text is a slip that the station file must show."""
    adapter = registry.load(group, name)
    options = sample_of(group, adapter)
    del options["adapter"]
    for key, schema in adapter.Config.model_json_schema().get("properties", {}).items():
        kinds = {each.get("type") for each in schema.get("anyOf", [schema])}
        if kinds & {"number", "integer"} and "string" not in kinds:
            with pytest.raises(pydantic.ValidationError) as caught:
                adapter.Config.model_validate({**options, key: "1"})
            assert caught.value.errors()[0]["loc"][0] == key


@pytest.mark.parametrize(("group", "name"), REGISTERED)
def test_every_option_is_in_the_readme(group: str, name: str) -> None:
    adapter = registry.load(group, name)
    text = "".join((folder_of(adapter) / name).read_text("utf-8") for name in ("README.md", "sample.toml"))
    missing = [option for option in adapter.Config.model_fields if not re.search(rf"\b{option}\b", text)]
    assert not missing


@pytest.mark.parametrize(("group", "name"), REGISTERED)
def test_the_readme_has_its_headings(group: str, name: str) -> None:
    text = (folder_of(registry.load(group, name)) / "README.md").read_text("utf-8")
    headings = re.findall(r"^## +(.+?) *$", text, flags=re.MULTILINE)
    assert [heading for heading in HEADINGS if heading not in headings] == []
    assert "not a safety function" in text or group == registry.GAUGES


@pytest.mark.parametrize(("group", "name"), REGISTERED)
def test_it_is_held_to_the_conformance_suite(group: str, name: str) -> None:
    """Some test class inherits the suite and is about this adapter's class."""
    adapter = registry.load(group, name)
    suite = KINDS[group][1]
    assert any(_holds(ast.parse(path.read_text("utf-8")), suite, adapter.__name__)
               for path in HERE.glob("test_*.py") if path != Path(__file__)), f"no {suite} for {adapter.__name__}"


def _holds(module: ast.Module, suite: str, adapter: str) -> bool:
    """Whether a module has a collected class below the suite, and assigns the adapter's class to an attribute."""
    bases = {node.name: {base.id for base in node.bases if isinstance(base, ast.Name)}
             for node in module.body if isinstance(node, ast.ClassDef)}
    below = {suite}
    for _ in bases:
        below |= {name for name, parents in bases.items() if parents & below}
    names_it = any(isinstance(node, ast.Assign) and isinstance(node.value, ast.Name) and node.value.id == adapter
                   for owner in module.body if isinstance(owner, ast.ClassDef) for node in owner.body)
    return names_it and any(name.startswith("Test") for name in below)
