"""What the wire says of reference specimens: checks in force, recalls, and the command that asks for a check."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from crosslay.bus.wire import Identifier, Inbound, Quantity, Sequence, SequenceText, Text, Time, Wire, printable

#: Most traces that one check may ask for.
MAX_TRACES = 25
#: What ``v1/state`` says of all registered specimens together.
ReferenceWord = Literal["none", "valid", "due-soon", "overdue", "failed"]
OutcomeWord = Literal["in-tolerance", "warning", "out-of-tolerance", "not-usable"]


class ReferenceCheckMessage(Wire):
    """One reference check."""

    id: Identifier = Field(description="Identity of the check.")
    specimen: str = Field(description="Name of the specimen in the station file.", examples=["roughness-3"])
    time: Time = Field(description="When it was complete, by the station's clock.")
    outcome: OutcomeWord = Field(
        description="How the measured value lies to the certified one; `not-usable`: the readings do not tell."
    )
    correction: float = Field(
        description="Amplification correction that was in force, dimensionless: certified over measured; 1 for none."
    )


class SpecimenMessage(Wire):
    """One registered specimen, and when its next check is due."""

    name: str = Field(description="Name in the station file.", examples=["roughness-3"])
    type: Literal["A", "B", "C", "D"] = Field(description="Type of ISO 5436-1.")
    parameter: str = Field(description="What is certified.", examples=["Ra", "d"])
    certified: Quantity = Field(description="Certified value.")
    expanded_uncertainty: float = Field(description="Its expanded uncertainty, in the unit of the value.")
    coverage_factor: float = Field(description="k of that uncertainty.")
    certificate: str = Field(description="Number of the certificate.")
    certificate_due: str = Field(description="Last day of the certificate.", examples=["2027-03-31"])
    every_hours: float = Field(description="Time between checks at most, h.")
    traces: int = Field(description="Traverses that make a check.")
    due: Time | None = Field(description="When the next check is due; null: at once.")


class RecallRange(Wire):
    """A stretch of results; those in it whose ``resultEvaluation`` is OK are recalled."""

    instance_id: Identifier = Field(description="The database that they belong to.")
    from_sequence: Sequence = Field(description="First recalled result.")
    to_sequence: Sequence = Field(description="Last recalled result.")
    results: int = Field(description="How many in this stretch are recalled.")


class RecallData(Wire):
    """Passed results that a failed reference check puts in doubt. It has a sequence, and is acknowledged like a result.

    References
    ----------
    ISO 9001:2015, 7.1.5.2.
    """

    recall_id: Identifier = Field(description="Identity of the recall.")
    instance_id: Identifier = Field(description="The database that holds this record.")
    sequence: Sequence = Field(description="The record's own sequence.")
    supersedes: Identifier | None = Field(default=None, description="`recallId` that this one repeats elsewhere.")
    failed_check: ReferenceCheckMessage = Field(description="The check that failed.")
    last_good_check: ReferenceCheckMessage | None = Field(
        description="The latest one before that was good; null where there never was one."
    )
    reason: str = Field(description="What was found, for a person.")
    results: int = Field(description="How many results are recalled, all ranges together.")
    ranges: list[RecallRange] = Field(description="Where they are, oldest first.")
    part_ids: list[str] = Field(description="Their parts, oldest first; only the first ones where there are many.")
    part_ids_total: int = Field(description="How many parts there are, listed or not.")
    creation_time: Time = Field(description="When the record was made, by the station's clock.")
    clock_synchronized: bool = Field(description="Whether that clock could be believed.")


class RecallEvent(Wire):
    """A recall: CloudEvents 1.0 envelope around what is in doubt; on ``v1/result``, acknowledged like a result."""

    specversion: Literal["1.0"] = "1.0"
    type: Literal["org.crosslay.recall.v1"] = "org.crosslay.recall.v1"
    source: Text = Field(description="The station, unique in the plant (DC-01).")
    id: Identifier = Field(description="`data.recallId`.")
    subject: Text = Field(description="`specimen/` and its name.", examples=["specimen/roughness-3"])
    time: Time = Field(description="`data.creationTime`.")
    sequence: SequenceText = Field(description="`data.sequence` with leading zeros.")
    datacontenttype: Literal["application/json"] = "application/json"
    dataschema: Literal["urn:crosslay:schema:recall:1"] = "urn:crosslay:schema:recall:1"
    data: RecallData


class ReferenceCheckCommand(Inbound):
    """Ask the station to take the next traces for those of a specimen."""

    request_id: Annotated[
        str,
        Field(min_length=1, max_length=64, description="Comes back in every answer; make a new one for each request."),
        AfterValidator(printable),
    ]
    specimen: Annotated[
        str, Field(min_length=1, max_length=64, description="Name in the station file."), AfterValidator(printable)
    ]
    traces: Annotated[
        int | None, Field(ge=1, le=MAX_TRACES, description="How many; null: as the station file says.")
    ] = None


class ReferenceCheckAnswer(Wire):
    """Answer to a command: first whether it is accepted, and later how it ended."""

    request_id: str = Field(description="Of the command.")
    status: Literal["accepted", "refused", "completed", "abandoned"] = Field(
        description="An accepted command has a second answer, completed or abandoned."
    )
    specimen: str = Field(description="As the command named it.")
    text: str = Field(description="What happens now, or why not, for a person.")
    check: ReferenceCheckMessage | None = Field(default=None, description="Of a completed command.")
