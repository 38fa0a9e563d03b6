"""The wire, version 1: every payload that crosslay publishes or accepts, as pydantic models.

UTF-8 JSON, camelCase, OPC 40001-101 result names where it has one, UCUM units, RFC 3339 UTC, finite numbers only.
Within version 1 fields are only ever added; readers ignore what they do not know. The published schemas are made of
these models (`crosslay.bus.contract`), so the descriptions here are written for whoever reads those.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from crosslay.bus.correlation_messages import (
    BudgetMessage,
    ContributionMessage,
    CorrelationInForce,
    CorrelationMessage,
)
from crosslay.bus.reference_messages import (
    RecallData,
    RecallEvent,
    RecallRange,
    ReferenceCheckAnswer,
    ReferenceCheckCommand,
    ReferenceCheckMessage,
    ReferenceWord,
    SpecimenMessage,
)
from crosslay.bus.result_messages import (
    CharacteristicMessage,
    FindingMessage,
    GapData,
    GapEvent,
    ProcessingTimes,
    ResultData,
    ResultEvent,
    SettingsMessage,
    TraceMessage,
)
from crosslay.bus.wire import (
    CLOUDEVENTS_CONTENT_TYPE,
    JSON_CONTENT_TYPE,
    MAX_INBOUND_BYTES,
    MAX_SEQUENCE,
    VERDICT_CODES,
    Identifier,
    Inbound,
    Quantity,
    Sequence,
    Text,
    Time,
    Wire,
    WireVerdict,
    printable,
    rfc3339,
    schema_id,
)

__all__ = [
    "CLOUDEVENTS_CONTENT_TYPE",
    "JSON_CONTENT_TYPE",
    "MAX_INBOUND_BYTES",
    "MAX_SEQUENCE",
    "VERDICT_CODES",
    "Acknowledgement",
    "AnchorIn",
    "AnchorMessage",
    "Backlog",
    "BudgetMessage",
    "CharacteristicMessage",
    "ConditionMessage",
    "ConfigurationMessage",
    "ContributionMessage",
    "CorrelationInForce",
    "CorrelationMessage",
    "EvaluationMessage",
    "FindingMessage",
    "GapData",
    "GapEvent",
    "IdentificationMessage",
    "Inbound",
    "LastPart",
    "OfflineMessage",
    "OpenPart",
    "ProcessingTimes",
    "Quantity",
    "RecallData",
    "RecallEvent",
    "RecallRange",
    "ReferenceCheckAnswer",
    "ReferenceCheckCommand",
    "ReferenceCheckMessage",
    "Rejection",
    "RequestedSettings",
    "RequirementMessage",
    "ResultData",
    "ResultEvent",
    "Sequence",
    "SettingsMessage",
    "SpecimenMessage",
    "StateMessage",
    "StoreLevel",
    "TraceMessage",
    "Wire",
    "WireVerdict",
    "ZoneMessage",
    "rfc3339",
    "schema_id",
]


class AnchorMessage(Wire):
    """How far the station's database has certainly come; a station that was rolled back finds it here (DC-44)."""

    instance_id: Identifier = Field(description="The database.")
    session_number: int = Field(description="Number of the connection that sent it; only ever grows.")
    last_sequence: Sequence = Field(description="Every result up to this one was stored before this was sent.")
    ledger_head: str | None = Field(
        default=None, description="Head of the ledger's hash chain; null where there is none."
    )


class AnchorIn(Inbound):
    """An anchor as read back from the broker."""

    instance_id: Annotated[str, Field(max_length=64)]
    last_sequence: Sequence


class EvaluationMessage(Wire):
    """The small pass/fail event for PLC and andon: only while it is fresh, never repeated."""

    part_id: Text = Field(description="The part.")
    sequence: Sequence = Field(description="Sequence of its stored result.")
    result_evaluation: WireVerdict = Field(description="Verdict on the part.")


class LastPart(Wire):
    """The latest stored result."""

    part_id: Text = Field(description="The part.")
    sequence: Sequence = Field(description="Sequence of the result.")
    result_evaluation: WireVerdict = Field(description="Verdict on the part.")
    details: str = Field(description="The verdict in a sentence.")


class OpenPart(Wire):
    """A part that needs more traces before it can be judged."""

    part_id: Text = Field(description="The part; further traces name it in their fact `part`.")
    traces: int = Field(description="Traces taken so far.")
    at_least: int = Field(description="How many more are needed at least.")
    at_most: int = Field(description="How many more may be needed at most.")
    waits_for: list[str] = Field(description="Characteristics, and their positions, that need more.",
                                 examples=[["journal at A"]])  # fmt: skip
    prompt: str = Field(description="What to do next, for the person at the machine.")


class Backlog(Wire):
    """Results not yet acknowledged."""

    depth: int = Field(description="How many.")
    oldest_age_seconds: float | None = Field(description="Age of the oldest in s; null where none waits.")
    seconds_to_drain: float | None = Field(description="Time to the end at the present pace, s; null while none goes.")
    quarantined: int = Field(description="How many are set aside beside these (DC-23).")


class StoreLevel(Wire):
    """How full the store is."""

    used_percent: float = Field(description="Share of the quota in use, in %.")
    seconds_to_full: float | None = Field(
        description="Time until it is full at the present pace, s; null while it is not filling."
    )
    when_full: Literal["hold", "drop-oldest-with-gap"] = Field(description="What a full store does (DC-50).")


class StateMessage(Wire):
    """What the station does now, on change and every 10 s, and the numbers that show a gap (DC-40)."""

    online: Literal[True] = True
    instance_id: Identifier = Field(description="The station's database.")
    session_number: int = Field(
        description="Number of the connection; only ever grows, so older words can be told (DC-62)."
    )
    time: Time = Field(description="Now, by the station's clock.")
    clock_synchronized: bool = Field(description="Whether that clock can be believed.")
    cycle: str = Field(description="Where the present part stands.",
                       examples=["waiting", "capturing", "evaluating", "deciding", "fault"])  # fmt: skip
    light: str = Field(description="What the light shows.", examples=["ACCEPT", "REJECT flashing", "REJECT and FAULT"])
    reason: str = Field(description="Why it shows that.")
    first_sequence: Sequence = Field(description="Oldest result that is stored.")
    last_sequence: Sequence = Field(description="Newest result that is stored; 0 before the first.")
    acknowledged_through: Sequence = Field(description="All results up to this one are done with.")
    last_part: LastPart | None = Field(description="The latest result since the station started; null before it.")
    open_part: OpenPart | None = Field(default=None, description="The part that waits for more traces, if one does.")
    backlog: Backlog
    store: StoreLevel | None = None
    health: Literal["normal", "F", "C", "S", "M"] = Field(
        description="NAMUR NE 107 summary: failure, function check, out of specification, maintenance required."
    )
    conditions: list[str] = Field(description="Ids of the conditions that are not normal; each has a topic of its own.")
    reference_check: ReferenceWord = Field(
        default="none",
        description="`none`: no specimen is registered. `overdue`, `failed`: nothing passes until a check is good.",
    )
    indicator: str = Field(description="Adapters that drive the light, or `none`.")
    counters: dict[str, int] = Field(description="Events counted since the station started, by name.")


class OfflineMessage(Wire):
    """The state of a station that is not there: left by the broker, or said before an orderly disconnect (DC-62)."""

    online: Literal[False] = False
    instance_id: Identifier = Field(description="The station's database.")
    session_number: int = Field(
        description="Number of the connection that ended; ignore it where a newer one was seen."
    )
    reason: Literal["connectionLost", "shutdown"] = Field(description="How it ended.")


class IdentificationMessage(Wire):
    """Who the station is, and what it speaks."""

    station: str = Field(description="Name of the station.", examples=["op30"])
    source: Text = Field(description="CloudEvents source of its results.")
    software: str = Field(description="Name and version.")
    libraries: dict[str, str] = Field(description="Versions of what it computes and speaks with.")
    schemas: list[str] = Field(description="Identifiers of the schemas that its messages obey.")
    gauge: dict[str, str] = Field(description="What the gauge says of itself.")
    acknowledge: Literal["confirmed", "broker"] = Field(description="Who acknowledges results: the MES, or the broker.")
    plan_id: str = Field(description="The station file's version, for people.")
    plan_hash: str = Field(description="SHA-256 of the station file's validated content, hexadecimal.")


class ZoneMessage(Wire):
    """A zone of a trace, from its begin on."""

    start: Quantity = Field(description="Where it begins.")
    end: Quantity = Field(description="Where it ends.")


class RequestedSettings(Wire):
    """Settings that a call-out will be evaluated under."""

    standard: str = Field(description="Whose symbols and defaults.", examples=["iso-21920", "iso-4287"])
    filter: str = Field(description="L-filter between roughness and waviness.", examples=["gaussian"])
    form: str = Field(description="Form that is removed.", examples=["line", "arc", "polynomial:3", "none"])
    cutoff: Quantity | None = Field(description="λc in mm; null: the setting class is found from each trace.")
    short_cutoff: Quantity | None = Field(description="λs in um; null: see shortCutoffSource.")
    short_cutoff_source: Literal["fixed", "standard", "none"] = Field(
        description="Whether λs is fixed, follows from the standard once λc is known, or is not applied."
    )
    waviness_cutoff: Quantity | None = Field(description="λf in mm; null where waviness is not band-limited.")
    sections: int | None = Field(description="Number of section lengths; null: the standard's default.")
    skip_start: Quantity = Field(description="Zone left out at the trace's begin.")
    skip_end: Quantity = Field(description="Zone left out at the trace's end.")
    leave_out: list[ZoneMessage] = Field(
        default_factory=list, description="Further zones that are left out; the longest stretch between is evaluated."
    )


class RequirementMessage(Wire):
    """One limit in force."""

    name: str = Field(description="Characteristic of the station file; several call-outs may share it.")
    callout: str = Field(description="The call-out as written.", examples=["Ra 0.8"])
    parameter: str = Field(description="Symbol.", examples=["Ra", "Rz", "Rsm"])
    unit: str = Field(description="UCUM unit of the limit.", examples=["um", "mm", "%", "/cm"])
    lower_limit: float | None = Field(description="Lower limit; null where this is an upper one.")
    upper_limit: float | None = Field(description="Upper limit; null where this is a lower one.")
    rule: str = Field(description="Acceptance rule in force.", examples=["Tmax", "T16%", "Tmed"])
    decision_rule: str | None = Field(
        default=None, description="How the uncertainty enters the decision.", examples=["simple", "iso-14253-1"]
    )
    guard_factor: float | None = Field(
        default=None, description="k of the guard band g = k·u; null where the decision rule has none."
    )
    min_traces: int = Field(default=1, description="Traces of one place that are taken at least.")
    max_traces: int = Field(default=1, description="Traces of one place that may be taken at most.")
    positions: list[str] = Field(
        default_factory=list, description="Places of the part that are judged each; none: one place without a name."
    )
    settings: RequestedSettings


class ConfigurationMessage(Wire):
    """What the station judges by: the limits in force, their settings, and how results count as delivered."""

    station: str = Field(description="Name of the station.", examples=["op30"])
    plan_id: str = Field(description="The station file's version, for people.")
    plan_hash: str = Field(description="SHA-256 of the station file's validated content, hexadecimal.")
    acknowledge: Literal["confirmed", "broker"] = Field(description="Who acknowledges results: the MES, or the broker.")
    window: int = Field(description="W: results that may be under way at the same time (DC-31).")
    requirements: list[RequirementMessage] = Field(description="One for each call-out, in the drawing's order.")
    reference_check: Literal["none", "registered"] = Field(
        default="none", description="Whether specimens are registered; without a valid check nothing passes then."
    )
    reference_check_due: Time | None = Field(
        default=None, description="When the next check is due; null: at once, or never where no specimen is registered."
    )
    specimens: list[SpecimenMessage] = Field(default_factory=list, description="The registered reference specimens.")
    correlations: list[CorrelationInForce] = Field(
        default_factory=list, description="Accepted correlations with a laboratory that are in force."
    )
    commands: list[str] = Field(default_factory=list, description="Commands that are taken on ``v1/command/…``.")


class ConditionMessage(Wire):
    """One trouble, or its end: what, since when, and what to do."""

    id: str = Field(description="Which.", examples=["broker-offline", "store-failed"])
    level: Literal["normal", "warning", "fault", "unavailable"] = Field(description="How bad; `normal`: it is over.")
    signal: Literal["F", "C", "S", "M"] | None = Field(description="NAMUR NE 107 status signal; null when normal.")
    since: Time = Field(description="Since when, by the station's clock.")
    text: str = Field(description="What is wrong, for a person.")
    remedy: str = Field(description="What to do about it; empty when normal.")


class Rejection(Inbound):
    """One result that the MES will not take (DC-23)."""

    sequence: Annotated[int, Field(ge=1, le=MAX_SEQUENCE, description="Which.")]
    reason: Annotated[str, Field(max_length=500, description="Why, for a person."), AfterValidator(printable)]


class Acknowledgement(Inbound):
    """From the MES, after its own commit: everything up to a number is safe there (DC-20)."""

    instance_id: Annotated[str, Field(max_length=64, description="`data.instanceId` of the results.")]
    acknowledged_through: Annotated[
        Sequence,
        Field(description="Everything of that instance up to this sequence is stored or rejected; 0 for nothing."),
    ]
    rejected: Annotated[
        list[Rejection], Field(max_length=1000, description="Results that are not taken; the number covers them too.")
    ] = Field(default_factory=list)
