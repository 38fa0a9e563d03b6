"""What is wrong with a station file, in words: dotted path, value given, values allowed."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

#: Keys that people look for, and why they are not here.
_NOT_HERE = {
    "user": 'the user name\'s key is "username"',
    "password": "secrets never stand in a station file; name a file with password_file, or a credential of the "
                "service with password_credential",
    "insecure": "there is no way to skip verification; name the authority of the broker's certificate in ca_file",
    "verify": "verification is never switched off; name the authority of the broker's certificate in ca_file",
}


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong: where (dotted path, "" for the file as a whole) and what."""

    path: str
    text: str

    def line(self, file: str) -> str:
        """``op30.toml: bus.port: …``."""
        return f"{file}: {self.path}: {self.text}" if self.path else f"{file}: {self.text}"


def dotted(parts: Iterable[str | int]) -> str:
    """``("characteristic", 0, "callout")`` as ``characteristic[0].callout``."""
    path = ""
    for part in parts:
        if isinstance(part, int):
            path += f"[{part}]"
        else:
            path += f".{part}" if path else part
    return path


def shown(value: Any) -> str:
    """A value as it would stand in a station file, shortened."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "…"


def from_validation(
    error: ValidationError, model: type[BaseModel], given: Mapping[str, Any], prefix: Sequence[str | int] = ()
) -> list[Problem]:
    """Translate what pydantic found.

    Parameters
    ----------
    error
        The finding.
    model
        The model that was validated, to name the keys that it has.
    given
        The table that was validated, to show what stands there.
    prefix
        Where that table stands in the file.
    """
    problems: dict[str, Problem] = {}
    for detail in error.errors(include_url=False, include_context=True):
        location = _in_file(detail["loc"], given)
        path = dotted((*prefix, *location))
        # A union reports each of its members; the first says enough.
        problems.setdefault(path, Problem(path, _text(detail, location, model, given)))
    # A list whose only item is wrong is also reported as empty.
    return [problem for path, problem in problems.items()
            if not any(other.startswith((f"{path}.", f"{path}[")) for other in problems)]


def _in_file(location: Sequence[str | int], given: Any) -> tuple[str | int, ...]:
    """The part of a location that stands in the file; pydantic appends names of union members and validators."""
    kept: list[str | int] = []
    here = given
    for place, part in enumerate(location):
        if isinstance(here, Mapping):
            kept.append(part)
            here = here.get(part)
        elif isinstance(here, list | tuple) and isinstance(part, int) and part < len(here):
            kept.append(part)
            here = here[part]
        elif place == 0:
            kept.append(part)
        else:
            break
    return tuple(kept)


def _text(detail: Any, location: Sequence[str | int], model: type[BaseModel], given: Any) -> str:
    kind, context, value = detail["type"], detail.get("ctx", {}), detail["input"]
    if kind == "missing":
        return "is missing"
    if kind == "extra_forbidden":
        return _unknown_key(str(location[-1]), allowed_keys(model, location[:-1]), _at(given, location[:-1]))
    if kind == "value_error":
        reason = str(context.get("error", detail["msg"]))
        return reason if isinstance(value, Mapping) else f"{shown(value)} {_is_not(reason)}"
    if kind in {"literal_error", "enum"}:
        return f"{shown(value)} is not allowed; allowed: {_expected(context)}"
    return f"{shown(value)} is not allowed; {_wanted(kind, context, detail['msg'])}"


def _is_not(reason: str) -> str:
    """Let a validator's reason follow the value: "… must be …", "… is not …"."""
    return f"is not allowed; {reason}" if reason.startswith(("must", "each", "allowed", "has")) else reason


def _expected(context: Mapping[str, Any]) -> str:
    return str(context.get("expected", "")).replace("'", '"').replace(" or ", ", ")


_TYPES = {
    "string": 'it must be text in quotes', "int": "it must be a whole number", "float": "it must be a number",
    "bool": "it must be true or false", "list": "it must be a list in [ ]", "tuple": "it must be a list in [ ]",
    "model": "it must be a table", "dict": "it must be a table", "path": "it must be a path in quotes",
}


def _wanted(kind: str, context: Mapping[str, Any], message: str) -> str:
    bounds = {"greater_than": ("gt", "above"), "greater_than_equal": ("ge", "at least"),
              "less_than": ("lt", "below"), "less_than_equal": ("le", "at most")}
    if kind in bounds:
        key, words = bounds[kind]
        return f"it must be {words} {context[key]}"
    if kind == "finite_number":
        return "it must be a finite number"
    if kind in {"too_short", "string_too_short"}:
        return "it must not be empty"
    if kind in {"too_long", "string_too_long"}:
        return f"at most {context.get('max_length')} are allowed"
    stem = kind.partition("_")[0]
    return _TYPES.get(stem, message[0].lower() + message[1:])


def _unknown_key(key: str, allowed: Sequence[str], table: Any) -> str:
    if key in _NOT_HERE:
        return f"is not allowed: {_NOT_HERE[key]}"
    near = difflib.get_close_matches(key, allowed, n=1)
    hint = f'did you mean "{near[0]}"; ' if near else ""
    missing = [each for each in allowed if not isinstance(table, Mapping) or each not in table]
    return f"unknown key; {hint}keys that may be added here: {', '.join(missing) or 'none'}"


def allowed_keys(model: type[BaseModel], location: Sequence[str | int]) -> list[str]:
    """Keys of the table at `location` inside `model`."""
    here: type[BaseModel] | None = model
    for part in location:
        if here is None:
            return []
        if isinstance(part, str):
            field = here.model_fields.get(part)
            here = None if field is None else _model_in(field.annotation)
    return [] if here is None else list(here.model_fields)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The model inside ``Model``, ``tuple[Model, ...]`` or ``Model | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in get_args(annotation):
        found = _model_in(inner)
        if found is not None:
            return found
    return None


def _at(given: Any, location: Sequence[str | int]) -> Any:
    for part in location:
        try:
            given = given[part]
        except (KeyError, IndexError, TypeError):
            return None
    return given
