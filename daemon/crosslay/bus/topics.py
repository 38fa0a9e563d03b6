"""Topics of one station: the prefix of the station file and the leaves of contract version 1, with all that each holds.

`LEAVES` is the one table of the contract: the pump takes its names from here, the published schemas and the AsyncAPI
document are made of it, and the tests hold every message on the bus against it.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from crosslay.bus.messages import (
    CLOUDEVENTS_CONTENT_TYPE,
    JSON_CONTENT_TYPE,
    Acknowledgement,
    AnchorMessage,
    ConditionMessage,
    ConfigurationMessage,
    EvaluationMessage,
    GapData,
    GapEvent,
    IdentificationMessage,
    Inbound,
    OfflineMessage,
    RecallData,
    RecallEvent,
    ReferenceCheckAnswer,
    ReferenceCheckCommand,
    ResultData,
    ResultEvent,
    StateMessage,
    Wire,
    schema_id,
)

RESULT = "v1/result"
ACK = "v1/result/ack"
STATE = "v1/state"
IDENTIFICATION = "v1/identification"
CONFIGURATION = "v1/configuration"
ANCHOR = "v1/anchor"
EVALUATION = "v1/evaluation"
CONDITION = "v1/condition"
REFERENCE_CHECK = "v1/command/reference-check"
REFERENCE_CHECK_RESPONSE = "v1/command/reference-check/response"


@dataclass(frozen=True, slots=True)
class Topics:
    """Full topic names under one prefix, e.g. ``plant/shafts/line3/op30``."""

    prefix: str

    def __getitem__(self, leaf: str) -> str:
        return f"{self.prefix}/{leaf}"

    def condition(self, identifier: str) -> str:
        """Topic of one condition."""
        return f"{self.prefix}/{CONDITION}/{identifier}"


class Way(enum.Enum):
    """Who publishes, seen from the station."""

    OUT = "send"
    IN = "receive"


class Keep(enum.Enum):
    """Whether the broker keeps the latest message for whoever subscribes later."""

    RETAINED = "retained"
    NOT_RETAINED = "not retained"


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One kind of message on a leaf; `name` is that of its schema."""

    name: str
    model: type[Wire | Inbound]
    content_type: str = JSON_CONTENT_TYPE


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaf:
    """One row of the contract's table.

    Attributes
    ----------
    name
        For people and the AsyncAPI document.
    path
        Below the prefix.
    parameter
        Name of one more level that follows, "" for none.
    expiry_s
        Message expiry, s; None for none.
    repeats
        Whether messages come again until acknowledged, and then bear the user property ``delivery``.
    """

    name: str
    path: str
    way: Way
    keep: Keep
    messages: tuple[Message, ...]
    summary: str
    parameter: str = ""
    qos: int = 1
    expiry_s: int | None = None
    repeats: bool = False


LEAVES = (
    Leaf(
        name="result", path=RESULT, way=Way.OUT, keep=Keep.NOT_RETAINED, repeats=True,
        messages=(
            Message(name="result-event", model=ResultEvent, content_type=CLOUDEVENTS_CONTENT_TYPE),
            Message(name="gap-event", model=GapEvent, content_type=CLOUDEVENTS_CONTENT_TYPE),
            Message(name="recall-event", model=RecallEvent, content_type=CLOUDEVENTS_CONTENT_TYPE),
        ),
        summary="One event for each judged part, in ascending sequence, repeated until it is acknowledged.",
    ),
    Leaf(
        name="acknowledgement", path=ACK, way=Way.IN, keep=Keep.NOT_RETAINED,
        messages=(Message(name="acknowledgement", model=Acknowledgement),),
        summary="From the MES: everything up to a number is safe.",
    ),
    Leaf(
        name="evaluation", path=EVALUATION, way=Way.OUT, keep=Keep.NOT_RETAINED, expiry_s=5,
        messages=(Message(name="evaluation", model=EvaluationMessage),),
        summary="The small pass/fail event for PLC and andon, only while it is fresh.",
    ),
    Leaf(
        name="state", path=STATE, way=Way.OUT, keep=Keep.RETAINED,
        messages=(Message(name="state", model=StateMessage), Message(name="state-offline", model=OfflineMessage)),
        summary="What the station does now; also its last will.",
    ),
    Leaf(
        name="identification", path=IDENTIFICATION, way=Way.OUT, keep=Keep.RETAINED,
        messages=(Message(name="identification", model=IdentificationMessage),),
        summary="Who the station is, and what it speaks.",
    ),
    Leaf(
        name="configuration", path=CONFIGURATION, way=Way.OUT, keep=Keep.RETAINED,
        messages=(Message(name="configuration", model=ConfigurationMessage),),
        summary="The limits in force and their settings.",
    ),
    Leaf(
        name="anchor", path=ANCHOR, way=Way.OUT, keep=Keep.RETAINED,
        messages=(Message(name="anchor", model=AnchorMessage),),
        summary="How far the station's database has certainly come; the station reads it back once, when it starts.",
    ),
    Leaf(
        name="condition", path=CONDITION, parameter="conditionId", way=Way.OUT, keep=Keep.RETAINED,
        messages=(Message(name="condition", model=ConditionMessage),),
        summary="Each trouble, since when, and what to do.",
    ),
    Leaf(
        name="reference-check", path=REFERENCE_CHECK, way=Way.IN, keep=Keep.NOT_RETAINED,
        messages=(Message(name="reference-check-command", model=ReferenceCheckCommand),),
        summary="Take the next traces for those of a specimen; only where the station file allows this command.",
    ),
    Leaf(
        name="reference-check-response", path=REFERENCE_CHECK_RESPONSE, way=Way.OUT, keep=Keep.NOT_RETAINED,
        messages=(Message(name="reference-check-answer", model=ReferenceCheckAnswer),),
        summary="Answers to that command, with its Correlation Data; elsewhere where its Response Topic says so.",
    ),
)  # fmt: skip

#: Every published schema by name: those of whole messages, and those that a CloudEvent's ``dataschema`` names.
SCHEMAS: dict[str, type[Wire | Inbound]] = {
    "result": ResultData,
    "gap": GapData,
    "recall": RecallData,
    **{message.name: message.model for leaf in LEAVES for message in leaf.messages},
}
SCHEMA_IDS = tuple(schema_id(name) for name in sorted(SCHEMAS))
