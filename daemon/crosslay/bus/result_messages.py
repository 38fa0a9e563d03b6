"""``v1/result``: results and gap records, each a CloudEvent that is stored once and sent as the same bytes (DC-05)."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from crosslay.bus.correlation_messages import BudgetMessage, CorrelationMessage
from crosslay.bus.reference_messages import ReferenceCheckMessage
from crosslay.bus.wire import Identifier, Quantity, Sequence, SequenceText, Text, Time, Wire, WireVerdict


class SettingsMessage(Wire):
    """Settings that were in force for a value."""

    standard: str = Field(description="Whose symbols and defaults.", examples=["iso-21920", "iso-4287"])
    filter: str = Field(description="L-filter between roughness and waviness.", examples=["gaussian"])
    form: str = Field(description="Form that was removed.", examples=["line", "arc", "polynomial:3", "none"])
    cutoff: Quantity | None = Field(description="λc in mm; null where no L-filter was applied.")
    short_cutoff: Quantity | None = Field(description="λs in um; null where no S-filter was applied.")
    sections: int = Field(description="Number of section lengths in the evaluation length.")
    setting_class: str | None = Field(default=None, description="Setting class of ISO 21920-3.", examples=["Sc3"])


class CharacteristicMessage(Wire):
    """One call-out, judged."""

    name: str = Field(description="Characteristic of the station file; several call-outs may share it.")
    callout: str = Field(description="The call-out as written.", examples=["Ra 0.8"])
    position: str | None = Field(default=None, description="Place of the part, where the characteristic has several.")
    value: float | None = Field(
        description="The unrounded value that decides, in `unit`; null where undefined. Of several values the one that "
        "keeps the limit exactly where they are accepted: Tmax the worst, Tmed the median, T16% the worst but those "
        "that may exceed."
    )
    values: list[float | None] | None = Field(
        default=None, description="All values in the order of their traces, where the rule may take several."
    )
    unit: str = Field(description="UCUM unit of value and limits.", examples=["um", "mm", "%", "/cm"])
    lower_limit: float | None = Field(default=None, description="Lower limit; null where there is none.")
    upper_limit: float | None = Field(default=None, description="Upper limit; null where there is none.")
    rule: str = Field(description="Acceptance rule in force.", examples=["Tmax", "T16%", "Tmed"])
    decision_rule: str | None = Field(
        default=None, description="How the uncertainty enters the decision: not at all, or by guard bands.",
        examples=["simple", "iso-14253-1"],
    )  # fmt: skip
    expanded_uncertainty: float | None = Field(
        default=None, description="U of `value`, in `unit`; null where it is not known."
    )
    coverage_factor: float | None = Field(default=None, description="k of `expandedUncertainty`: U = k·u.")
    conformance_probability: float | None = Field(
        default=None, description="Probability that the property lies within its limits (JCGM 106), 0 to 1."
    )
    uncertainty_budget: BudgetMessage | None = Field(
        default=None, description="How `expandedUncertainty` came about; null where it was not computed."
    )
    raw_value: float | None = Field(
        default=None, description="As the gauge read it, where a correlation made `value` of it; else null."
    )
    raw_values: list[float | None] | None = Field(default=None, description="The same for `values`.")
    raw_standard_uncertainty: float | None = Field(default=None, description="Of `rawValue`; null where not known.")
    correlation: CorrelationMessage | None = Field(
        default=None, description="The accepted correlation by which `value` is reported; null for none."
    )
    evaluation: WireVerdict = Field(description="Verdict on this call-out.")
    reason: str | None = Field(default=None, description="Why there is no value, or why it does not count.")
    settings: SettingsMessage | None = Field(default=None, description="Only where they differ from the result's.")


class FindingMessage(Wire):
    """Something noticed about the trace."""

    id: str = Field(description="What was noticed.", examples=["mains-hum", "too-short"])
    severity: str = Field(description="An invalid one makes the whole part `Undefined`.",
                          examples=["info", "warning", "invalid"])  # fmt: skip
    text: str = Field(description="For a person.")
    evidence: dict[str, float] = Field(default_factory=dict, description="The numbers behind it; units in their names.")


class ProcessingTimes(Wire):
    """When the trace was taken, and how long acquisition and computation took."""

    start_time: Time | None = Field(description="Begin of the traverse; null where unknown.")
    end_time: Time | None = Field(description="End of the traverse; null where unknown.")
    acquisition_duration: float | None = Field(description="Duration of the traverse in ms; null where unknown.")
    processing_duration: float = Field(description="From the trace's arrival to the verdict, in ms.")


class TraceMessage(Wire):
    """The raw trace behind a result."""

    points: int = Field(description="Number of measured heights.")
    spacing: Quantity = Field(description="Distance between points.")
    sha256: str = Field(description="SHA-256 of the stored container, hexadecimal.")
    stored: bool = Field(description="Whether it was stored, so that the result could be computed again.")
    characteristic: str | None = Field(
        default=None, description="What it was measured for; null where it answers for every characteristic."
    )
    position: str | None = Field(default=None, description="Where on the part, if its trace says so.")


class ResultData(Wire):
    """One judged part."""

    result_id: Identifier = Field(description="Identity of the result; the same trace found again keeps it (DC-04).")
    instance_id: Identifier = Field(description="The station's database; a new one counts from 1 again (DC-02).")
    sequence: Sequence = Field(description="1, 2, 3, … of the instance without holes; the only order (DC-03).")
    part_id: Text = Field(description="The part, from the trace's fact `part`, else its file's name.")
    job_id: str | None = Field(description="The job, where the trace names one.")
    product_id: str | None = Field(description="The product, where the trace names one.")
    supersedes: Identifier | None = Field(default=None, description="`resultId` that this one corrects or replaces.")
    is_simulated: bool = Field(description="Whether the trace was made by a simulation.")
    is_partial: bool = Field(description="Whether traces of some characteristics are missing.")
    creation_time: Time = Field(description="When the result was made, by the station's clock.")
    clock_synchronized: bool = Field(description="Whether that clock could be believed.")
    processing_times: ProcessingTimes
    result_evaluation: WireVerdict = Field(description="Verdict on the part.")
    result_evaluation_code: int = Field(description="1 OK, 2 NotOK, 3 NotDecidable, 4 Undefined.",
                                        json_schema_extra={"enum": [1, 2, 3, 4]})  # fmt: skip
    result_evaluation_details: str = Field(description="The verdict in a sentence.")
    characteristics: list[CharacteristicMessage] = Field(description="One for each call-out, in the drawing's order.")
    settings: SettingsMessage | None = Field(description="Settings of the call-outs; null where nothing was evaluated.")
    findings: list[FindingMessage] = Field(description="What was noticed about the traces.")
    trace: TraceMessage | None = Field(description="The trace, where there was one.")
    traces: list[TraceMessage] | None = Field(default=None, description="The traces, where there were several.")
    reference_check: ReferenceCheckMessage | None = Field(
        default=None, description="The check in force for the gauge; null where no specimen is registered or checked."
    )
    plan_id: str = Field(description="The station file's version, for people.")
    plan_hash: str = Field(description="SHA-256 of the station file's validated content, hexadecimal.")
    software: str = Field(description="Name and version of the software that computed.")


class ResultEvent(Wire):
    """A result: CloudEvents 1.0 envelope around one judged part."""

    specversion: Literal["1.0"] = "1.0"
    type: Literal["org.crosslay.result.v1"] = "org.crosslay.result.v1"
    source: Text = Field(description="The station, unique in the plant (DC-01).",
                         examples=["urn:crosslay:plant:shafts:line3:op30"])  # fmt: skip
    id: Identifier = Field(description="`data.resultId`.")
    subject: Text = Field(description="`part/` and the part's identity.", examples=["part/P-0042"])
    time: Time = Field(description="`data.creationTime`.")
    sequence: SequenceText = Field(description="`data.sequence` with leading zeros, so that it sorts as text.")
    datacontenttype: Literal["application/json"] = "application/json"
    dataschema: Literal["urn:crosslay:schema:result:1"] = "urn:crosslay:schema:result:1"
    data: ResultData


class GapData(Wire):
    """Results that will never come, and why (DC-42). It has a sequence of its own and is acknowledged like a result."""

    instance_id: Identifier = Field(description="The database that holds this record.")
    sequence: Sequence = Field(description="The record's own sequence.")
    lost_instance_id: Identifier | None = Field(
        default=None, description="The database that the lost results belonged to, where it is another one."
    )
    from_sequence: Sequence = Field(description="First lost sequence.")
    to_sequence: Sequence | None = Field(
        description="Last lost sequence; null where nobody can know how far the lost database had come."
    )
    reason: str = Field(
        description="Why.",
        examples=["store-full", "database-damaged", "database-lost", "restored-backup", "rolled-back"],
    )
    creation_time: Time = Field(description="When the record was made, by the station's clock.")
    clock_synchronized: bool = Field(description="Whether that clock could be believed.")


class GapEvent(Wire):
    """A gap record: CloudEvents 1.0 envelope around what was lost; on ``v1/result``, acknowledged like a result."""

    specversion: Literal["1.0"] = "1.0"
    type: Literal["org.crosslay.gap.v1"] = "org.crosslay.gap.v1"
    source: Text = Field(description="The station, unique in the plant (DC-01).")
    id: Identifier = Field(description="Identity of the record.")
    time: Time = Field(description="`data.creationTime`.")
    sequence: SequenceText = Field(description="`data.sequence` with leading zeros.")
    datacontenttype: Literal["application/json"] = "application/json"
    dataschema: Literal["urn:crosslay:schema:gap:1"] = "urn:crosslay:schema:gap:1"
    data: GapData
