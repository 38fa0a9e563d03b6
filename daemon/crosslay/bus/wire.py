"""What all payloads have in common: bases, number ranges, times, verdicts."""

from __future__ import annotations

import datetime as dt
import enum
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field
from pydantic.alias_generators import to_camel

#: Inbound payloads above this are refused unread.
MAX_INBOUND_BYTES = 65_536
CLOUDEVENTS_CONTENT_TYPE = "application/cloudevents+json"
JSON_CONTENT_TYPE = "application/json"
#: Largest sequence number: 63 bits, the largest integer of the store.
MAX_SEQUENCE = 2**63 - 1
_SCHEMA = "urn:crosslay:schema:{}:1"

# What the schemas say of a text is not checked when sending: a result must never fail for the form of a name.
Sequence = Annotated[int, Field(ge=0, le=MAX_SEQUENCE)]
Time = Annotated[str, Field(json_schema_extra={"format": "date-time", "examples": ["2026-03-02T08:15:30.123Z"]})]
Identifier = Annotated[str, Field(json_schema_extra={"format": "uuid"})]
Text = Annotated[str, Field(json_schema_extra={"minLength": 1})]
SequenceText = Annotated[str, Field(json_schema_extra={"pattern": "^[0-9]{19}$", "examples": ["0000000000000000042"]})]


def schema_id(name: str) -> str:
    """Identifier of one published schema, contract version 1."""
    return _SCHEMA.format(name)


def rfc3339(wall_s: float) -> str:
    """Seconds since the epoch as RFC 3339 in UTC with milliseconds."""
    moment = dt.datetime.fromtimestamp(wall_s, tz=dt.UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


def printable(text: str) -> str:
    """A foreign text made harmless for terminals and logs: what cannot be printed becomes a blank."""
    return "".join(character if character.isprintable() else " " for character in text)


class Wire(BaseModel):
    """Base of outbound payloads."""

    model_config = ConfigDict(alias_generator=to_camel, populate_by_name=True, frozen=True, allow_inf_nan=False)

    def to_bytes(self) -> bytes:
        """The payload."""
        return self.model_dump_json(by_alias=True).encode()


class Inbound(BaseModel):
    """Base of inbound payloads: strict types, unknown fields ignored, never coerced."""

    model_config = ConfigDict(alias_generator=to_camel, strict=True, frozen=True, extra="ignore")


class WireVerdict(enum.Enum):
    """A verdict as OPC 40001-101 ResultEvaluation writes it. Only OK is good; Undefined: could not be judged."""

    OK = "OK"
    NOT_OK = "NotOK"
    NOT_DECIDABLE = "NotDecidable"
    UNDEFINED = "Undefined"


#: ResultEvaluationCode by verdict; 0 is never sent.
VERDICT_CODES = {WireVerdict.OK: 1, WireVerdict.NOT_OK: 2, WireVerdict.NOT_DECIDABLE: 3, WireVerdict.UNDEFINED: 4}


class Quantity(Wire):
    """A number with its UCUM unit."""

    value: float | None = Field(description="The number; null where there is none.")
    unit: str = Field(description="Unit by UCUM.", examples=["um", "mm", "%", "/cm"])
