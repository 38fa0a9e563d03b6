"""The wire, version 1: every payload that crosslay publishes or accepts, as pydantic models.

UTF-8 JSON, camelCase, OPC 40001-101 result names where it has one, UCUM units, RFC 3339 UTC, finite numbers only.
Within version 1 fields are only ever added; readers ignore what they do not know.
"""

from __future__ import annotations

import datetime as dt
import enum
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field
from pydantic.alias_generators import to_camel

#: Inbound payloads above this are refused unread.
MAX_INBOUND_BYTES = 65_536
CLOUDEVENTS_CONTENT_TYPE = "application/cloudevents+json"
JSON_CONTENT_TYPE = "application/json"
#: Largest sequence number: 63 bits, the largest integer of the store.
MAX_SEQUENCE = 2**63 - 1

Sequence = Annotated[int, Field(ge=0, le=MAX_SEQUENCE)]


def rfc3339(wall_s: float) -> str:
    """Seconds since the epoch as RFC 3339 in UTC with milliseconds."""
    moment = dt.datetime.fromtimestamp(wall_s, tz=dt.UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


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
    """A verdict as OPC 40001-101 ResultEvaluation writes it."""

    OK = "OK"
    NOT_OK = "NotOK"
    NOT_DECIDABLE = "NotDecidable"
    UNDEFINED = "Undefined"


#: ResultEvaluationCode by verdict; 0 is never sent.
VERDICT_CODES = {WireVerdict.OK: 1, WireVerdict.NOT_OK: 2, WireVerdict.NOT_DECIDABLE: 3, WireVerdict.UNDEFINED: 4}


class Quantity(Wire):
    """A number with its UCUM unit."""

    value: float | None
    unit: str


class SettingsMessage(Wire):
    """Settings in force for a value."""

    standard: str
    filter: str
    form: str
    cutoff: Quantity | None
    short_cutoff: Quantity | None
    sections: int
    setting_class: str | None = None


class CharacteristicMessage(Wire):
    """One call-out, judged. ``value`` is null where undefined, and ``reason`` says why.

    ``settings`` stands here only where it differs from the result's.
    """

    name: str
    callout: str
    value: float | None
    unit: str
    lower_limit: float | None = None
    upper_limit: float | None = None
    rule: str
    evaluation: WireVerdict
    reason: str | None = None
    settings: SettingsMessage | None = None


class FindingMessage(Wire):
    """Something noticed about the trace."""

    id: str
    severity: str
    text: str
    evidence: dict[str, float] = Field(default_factory=dict)


class ProcessingTimes(Wire):
    """When the trace was taken, and how long acquisition and computation took, in milliseconds."""

    start_time: str | None
    end_time: str | None
    acquisition_duration: float | None
    processing_duration: float


class TraceMessage(Wire):
    """The raw trace behind a result; ``sha256`` is that of the stored container, null where there was no trace."""

    points: int
    spacing: Quantity
    sha256: str
    stored: bool


class ResultData(Wire):
    """One judged part."""

    result_id: str
    instance_id: str
    sequence: Sequence
    part_id: str
    job_id: str | None
    product_id: str | None
    supersedes: str | None = None
    is_simulated: bool
    is_partial: bool
    creation_time: str
    clock_synchronized: bool
    processing_times: ProcessingTimes
    result_evaluation: WireVerdict
    result_evaluation_code: int
    result_evaluation_details: str
    characteristics: list[CharacteristicMessage]
    settings: SettingsMessage | None
    findings: list[FindingMessage]
    trace: TraceMessage | None
    traces: list[TraceMessage] | None = None
    plan_id: str
    plan_hash: str
    software: str


class ResultEvent(Wire):
    """CloudEvents 1.0 envelope of a result. ``sequence`` sorts as text, too."""

    specversion: Literal["1.0"] = "1.0"
    type: Literal["org.crosslay.result.v1"] = "org.crosslay.result.v1"
    source: str
    id: str
    subject: str
    time: str
    sequence: str
    datacontenttype: Literal["application/json"] = "application/json"
    dataschema: Literal["urn:crosslay:schema:result:1"] = "urn:crosslay:schema:result:1"
    data: ResultData


class GapData(Wire):
    """Results that will never come, and why (DC-42).

    Attributes
    ----------
    lost_instance_id
        The database that they belonged to, where it is not this one.
    from_sequence, to_sequence
        Both ends included; ``toSequence`` is null where nobody can know how far the lost database had come.
    reason
        ``store-full``, ``database-damaged``, ``restored-backup`` or ``rolled-back``.
    """

    instance_id: str
    sequence: Sequence
    lost_instance_id: str | None = None
    from_sequence: Sequence
    to_sequence: Sequence | None
    reason: str
    creation_time: str
    clock_synchronized: bool


class GapEvent(Wire):
    """CloudEvents 1.0 envelope of a gap record; on ``v1/result``, acknowledged like a result."""

    specversion: Literal["1.0"] = "1.0"
    type: Literal["org.crosslay.gap.v1"] = "org.crosslay.gap.v1"
    source: str
    id: str
    time: str
    sequence: str
    datacontenttype: Literal["application/json"] = "application/json"
    dataschema: Literal["urn:crosslay:schema:gap:1"] = "urn:crosslay:schema:gap:1"
    data: GapData


class AnchorMessage(Wire):
    """``v1/anchor``, retained, never a will: how far this database has certainly come (DC-44)."""

    instance_id: str
    session_number: int
    last_sequence: Sequence
    ledger_head: str | None = None


class AnchorIn(Inbound):
    """An anchor as read back from the broker."""

    instance_id: Annotated[str, Field(max_length=64)]
    last_sequence: Sequence


class EvaluationMessage(Wire):
    """The small pass/fail event for PLC and andon."""

    part_id: str
    sequence: Sequence
    result_evaluation: WireVerdict


class LastPart(Wire):
    """The latest committed result."""

    part_id: str
    sequence: Sequence
    result_evaluation: WireVerdict
    details: str


class Backlog(Wire):
    """Results not yet acknowledged. ``secondsToDrain`` is null while nothing drains."""

    depth: int
    oldest_age_seconds: float | None
    seconds_to_drain: float | None
    quarantined: int


class StoreLevel(Wire):
    """How full the store is. ``secondsToFull`` is null while it does not fill."""

    used_percent: float
    seconds_to_full: float | None
    when_full: Literal["hold", "drop-oldest-with-gap"]


class StateMessage(Wire):
    """``v1/state``, retained, on change and every 10 s."""

    online: Literal[True] = True
    instance_id: str
    session_number: int
    time: str
    clock_synchronized: bool
    cycle: str
    light: str
    reason: str
    first_sequence: Sequence
    last_sequence: Sequence
    acknowledged_through: Sequence
    last_part: LastPart | None
    backlog: Backlog
    store: StoreLevel | None = None
    health: Literal["normal", "F", "C", "S", "M"]
    conditions: list[str]
    reference_check: Literal["none"] = "none"
    indicator: str
    counters: dict[str, int]


class OfflineMessage(Wire):
    """``v1/state`` as the will leaves it, and before an orderly disconnect (DC-62)."""

    online: Literal[False] = False
    instance_id: str
    session_number: int
    reason: Literal["connectionLost", "shutdown"]


class IdentificationMessage(Wire):
    """``v1/identification``, retained."""

    station: str
    source: str
    software: str
    libraries: dict[str, str]
    schemas: list[str]
    gauge: dict[str, str]
    acknowledge: Literal["confirmed", "broker"]
    plan_id: str
    plan_hash: str


class ConditionMessage(Wire):
    """``v1/condition/{id}``, retained. ``signal`` is the NAMUR NE 107 status signal, null when normal."""

    id: str
    level: Literal["normal", "warning", "fault", "unavailable"]
    signal: Literal["F", "C", "S", "M"] | None
    since: str
    text: str
    remedy: str


class Rejection(Inbound):
    """One result that the MES will not take (DC-23)."""

    sequence: Annotated[int, Field(ge=1, le=MAX_SEQUENCE)]
    reason: Annotated[str, Field(max_length=500)]


class Acknowledgement(Inbound):
    """``v1/result/ack``: everything up to a number is safe at the MES (DC-20)."""

    instance_id: Annotated[str, Field(max_length=64)]
    acknowledged_through: Sequence
    rejected: Annotated[list[Rejection], Field(max_length=1000)] = []
