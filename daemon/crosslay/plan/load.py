"""Read a station file once and say everything that is wrong with it at once."""

from __future__ import annotations

import hashlib
import json
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from pydantic import BaseModel, ValidationError

from crosslay import registry
from crosslay.errors import AdapterMissingError, CrosslayError, PlanError
from crosslay.inspection.judge import Requirement
from crosslay.inspection.value_budgets import KnownGauge
from crosslay.plan.characteristics import callout_problems, requirements_of
from crosslay.plan.models import (
    AdapterSection,
    BusSection,
    LightSection,
    PreCheckSection,
    StationFile,
    StationSection,
    StoreSection,
)
from crosslay.plan.problems import Problem, dotted, from_validation, shown
from crosslay.plan.specimens import Registered, specimens_of
from crosslay.plan.uncertainty import known_gauge, uncertainty_problems
from crosslay.ports import IndicatorContext

MAX_BYTES = 1 << 20
"""A station file is a page of text; anything longer is another file."""
DEFAULT_STATE = "/var/lib/crosslay"

M = TypeVar("M", bound=BaseModel)


class AdapterChoice(NamedTuple):
    """An adapter that the station file names: its registered name, class and validated options."""

    name: str
    cls: Any
    config: BaseModel


@dataclass(frozen=True, slots=True, kw_only=True)
class StationPlan:
    """A validated station file with everything resolved.

    Attributes
    ----------
    path, base_dir
        The file as named, and its folder, absolute; relative paths in the file are relative to it.
    name, topic, source
        Of the station; `source` is the CloudEvents source (DC-01).
    state_dir
        Absolute folder of the result store and the lock.
    indicators
        Empty: no light, every level only goes to the log.
    characteristics
        Their names, in the order of the file.
    requirements
        One for each call-out, settings resolved.
    specimens
        Reference specimens that vouch for the gauge; none: it is not verified.
    known_gauge
        What ``[uncertainty]`` says of the gauge; None where it is not there.
    precheck
        Limits before a traverse; None where nothing is looked at.
    plan_id, plan_hash
        Stem of the file with the beginning of the hash; SHA-256 of the validated content as canonical JSON, the same
        wherever the file lies.
    """

    path: Path
    base_dir: Path
    name: str
    topic: str
    source: str
    state_dir: Path
    station: StationSection
    bus: BusSection
    light: LightSection
    store: StoreSection
    gauge_name: str
    gauge_class: Any
    gauge_config: BaseModel
    indicators: tuple[AdapterChoice, ...]
    characteristics: tuple[str, ...]
    requirements: tuple[Requirement, ...]
    specimens: tuple[Registered, ...]
    known_gauge: KnownGauge | None
    precheck: PreCheckSection | None
    plan_id: str
    plan_hash: str
    content: Mapping[str, Any]

    @property
    def positions(self) -> dict[str, tuple[str, ...]]:
        """Positions by characteristic, in the order of the file."""
        return {each.characteristic: each.policy.positions for each in self.requirements}

    def document(self) -> dict[str, Any]:
        """The validated content as plain values, defaults filled in, without secrets."""
        copy: dict[str, Any] = json.loads(json.dumps(self.content))
        return copy


def load_plan(path: Path, environ: Mapping[str, str]) -> StationPlan:
    """Read and validate a station file. The one read is the only input or output.

    Parameters
    ----------
    path
        The station file.
    environ
        The environment; ``STATE_DIRECTORY`` (set by systemd) decides where the state lives.

    Raises
    ------
    PlanError
        The file cannot be read or is wrong; one line per problem: file, dotted path, value given, values allowed.
    """
    given = _parse(path)
    file, problems = _validate(given)
    if file is None:
        raise _refused(path, problems)
    base_dir = Path(os.path.abspath(path.parent))  # noqa: PTH100 - resolve() would ask the file system
    gauge = _gauge(file.gauge, problems)
    indicators = _indicators(file.indicator, base_dir, problems, simulated=bool(gauge and gauge.cls.simulated))
    if file.precheck is not None and gauge is not None and not hasattr(gauge.cls, "precheck"):
        problems.append(Problem("precheck", f'is not allowed: the gauge "{gauge.name}" cannot look before a traverse; '
                                "leave it out"))
    requirements = requirements_of(file.characteristic, problems)
    specimens = specimens_of(file.specimen, problems)
    known, names = known_gauge(file.uncertainty), [each.name for each in file.characteristic]
    problems += uncertainty_problems(requirements, known, names, checked=bool(specimens))
    state_dir = _state_dir(file.station, base_dir, environ, problems)
    if problems or gauge is None:
        raise _refused(path, problems)
    content = _content(file, gauge, indicators)
    digest = hashlib.sha256(_canonical(content)).hexdigest()
    return StationPlan(
        path=path, base_dir=base_dir, name=file.station.name, topic=file.station.topic,
        source=file.station.source or "urn:crosslay:" + file.station.topic.replace("/", ":"), state_dir=state_dir,
        station=file.station, bus=file.bus, light=file.light, store=file.store, gauge_name=gauge.name,
        gauge_class=gauge.cls, gauge_config=gauge.config, indicators=tuple(indicators),
        characteristics=tuple(each.name for each in file.characteristic), requirements=tuple(requirements),
        specimens=specimens, known_gauge=known, precheck=file.precheck,
        plan_id=f"{path.stem}-{digest[:12]}", plan_hash=digest, content=content,
    )


def _refused(path: Path, problems: list[Problem]) -> PlanError:
    return PlanError("\n".join(problem.line(str(path)) for problem in problems))


def _parse(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except IsADirectoryError as error:
        raise PlanError(f"{path}: is a folder; a station file (TOML) is needed") from error
    except FileNotFoundError as error:
        raise PlanError(f"{path}: there is no such file; a station file (TOML) is needed") from error
    except (OSError, ValueError) as error:
        raise PlanError(f"{path}: cannot be read: {getattr(error, 'strerror', None) or error}") from error
    if len(data) > MAX_BYTES:
        raise PlanError(f"{path}: is larger than {MAX_BYTES // 1024} KiB, so it is no station file")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise PlanError(f"{path}:{line}: is not UTF-8 text; save the file as UTF-8") from error
    if not text.strip():
        raise PlanError(f"{path}: is empty; it needs [station], [gauge], [bus] and [[characteristic]]")
    return _toml(path, text)


def _toml(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        reason, _bracket, place = str(error).rpartition(" (at ")
        words = place.removesuffix(")").replace(",", "").split()
        if words[:1] == ["line"]:
            line, column = int(words[1]), f", column {words[3]}"
        else:
            line, column = text.count("\n") + (not text.endswith("\n")), ", at the end of the file"
        raise PlanError(f"{path}:{line}: is not valid TOML: {reason or error}{column}") from error
    except RecursionError as error:
        raise PlanError(f"{path}: is not valid TOML: nested too deeply") from error


def _validate(given: dict[str, Any]) -> tuple[StationFile | None, list[Problem]]:
    try:
        return _strictly(StationFile, given), callout_problems(given)
    except ValidationError as error:
        problems = from_validation(error, StationFile, given) + callout_problems(given)
    # The adapters' own options can be judged even where another section is wrong.
    for group, path, table in _adapter_tables(given):
        options = {key: value for key, value in table.items() if key != "adapter"}
        _choose(group, str(table["adapter"]), options, path, problems)
    return None, problems


def _adapter_tables(given: Mapping[str, Any]) -> list[tuple[str, tuple[str | int, ...], Mapping[str, Any]]]:
    gauge, lights = given.get("gauge"), given.get("indicator")
    tables: list[tuple[str, tuple[str | int, ...], Any]] = [(registry.GAUGES, ("gauge",), gauge)]
    if isinstance(lights, list):
        tables += [(registry.INDICATORS, ("indicator", place), light) for place, light in enumerate(lights)]
    return [each for each in tables if isinstance(each[2], Mapping) and isinstance(each[2].get("adapter"), str)]


def _strictly(model: type[M], given: Mapping[str, Any]) -> M:
    """Validate without coercion; by way of JSON, so that a text may still become a path or an enum's value."""
    return model.model_validate_json(json.dumps(given, default=str), strict=True)


def _choose(
    group: str, name: str, options: Mapping[str, Any], path: tuple[str | int, ...], problems: list[Problem]
) -> AdapterChoice | None:
    try:
        cls = registry.load(group, name)
    except AdapterMissingError as error:
        problems.append(Problem(dotted((*path, "adapter")), str(error)))
        return None
    try:
        return AdapterChoice(name, cls, _strictly(cls.Config, options))
    except ValidationError as error:
        problems += from_validation(error, cls.Config, options, path)
        return None


def _gauge(section: AdapterSection, problems: list[Problem]) -> AdapterChoice | None:
    return _choose(registry.GAUGES, section.adapter, section.options(), ("gauge",), problems)


def _indicators(
    sections: tuple[AdapterSection, ...], base_dir: Path, problems: list[Problem], *, simulated: bool
) -> list[AdapterChoice]:
    chosen = []
    for place, section in enumerate(sections):
        path = ("indicator", place)
        choice = _choose(registry.INDICATORS, section.adapter, section.options(), path, problems)
        if choice is None:
            continue
        chosen.append(choice)
        try:
            indicator = choice.cls(choice.config, IndicatorContext(base_dir=base_dir))
        except CrosslayError as error:
            problems.append(Problem(dotted(path), str(error)))
            continue
        if simulated and not indicator.harmless:
            problems.append(Problem(
                dotted(path), f'"{choice.name}" drives a real light, and the gauge is simulated; simulated traces may '
                'drive only "log-only", or "sysfs-led" with a folder outside /sys'))
    return chosen


def _state_dir(
    station: StationSection, base_dir: Path, environ: Mapping[str, str], problems: list[Problem]
) -> Path:
    in_file = None if station.state_dir is None else Path(os.path.normpath(base_dir / station.state_dir))
    # systemd lists several directories with ":" between; ours is the first.
    from_systemd = environ.get("STATE_DIRECTORY", "").split(":")[0]
    if from_systemd:
        decided = Path(os.path.normpath(from_systemd))
        if in_file is not None and in_file != decided:
            problems.append(Problem("station.state_dir", f"{shown(station.state_dir)} means {in_file}, and "
                                    f"$STATE_DIRECTORY says {decided}; leave state_dir out or make them equal"))
        return decided
    return in_file if in_file is not None else Path(DEFAULT_STATE) / station.name


def _content(file: StationFile, gauge: AdapterChoice, indicators: list[AdapterChoice]) -> dict[str, Any]:
    def adapter(choice: AdapterChoice) -> dict[str, Any]:
        return {"adapter": choice.name, **choice.config.model_dump(mode="json")}

    content = file.model_dump(mode="json", exclude={"gauge", "indicator"})
    return {**content, "gauge": adapter(gauge), "indicator": [adapter(each) for each in indicators]}


def _canonical(content: Mapping[str, Any]) -> bytes:
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=True).encode("ascii")
