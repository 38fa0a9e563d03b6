"""What sections of the station file share: the base model, and validators of names, forms and cut-offs."""

from __future__ import annotations

import string
from typing import Any

from pydantic import BaseModel, ConfigDict

from crosslay.errors import SettingsError
from crosslay.texture.form import parse_form

MAX_NAME = 64
_LOWER = frozenset(string.ascii_lowercase + string.digits)
_SEGMENT = _LOWER | frozenset("_-")
FORMS = '"none", "line", "arc" or "polynomial:K" with K from 0 to 12'


class Section(BaseModel):
    """Base of every section: unknown keys are errors, values are not coerced, instances do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def sound_name(value: str) -> str:
    """A name of a station or specimen: lower case, as topics need it."""
    if not value or value[0] not in _LOWER or not _SEGMENT.issuperset(value) or len(value) > MAX_NAME:
        raise ValueError(f"must be 1 to {MAX_NAME} of a-z, 0-9, _ and -, and begin with a letter or digit")
    return value


def sound_form(value: str) -> str:
    """A form by its name."""
    try:
        parse_form(value)
    except SettingsError as error:
        raise ValueError(f"must be {FORMS}") from error
    return value


def sound_cutoff(value: float) -> float:
    """λc in mm."""
    if not 0.005 <= value <= 100:
        raise ValueError("must be a cut-off in mm, from 0.005 to 100 (usual: 0.08, 0.25, 0.8, 2.5, 8)")
    return value


def sound_short_cutoff(value: Any) -> Any:
    """λs in µm, or ``none``."""
    if value == "none" or (isinstance(value, int | float) and not isinstance(value, bool) and 0.1 <= value <= 10_000):
        return value if value == "none" else float(value)
    raise ValueError('must be a cut-off in µm, from 0.1 to 10000 (usual: 2.5, 8, 25), or "none"')


def listed(value: Any) -> Any:
    """A list of the file as a tuple; anything else as it is."""
    return tuple(value) if isinstance(value, list) else value
