"""The words of the published contract: how delivery works, titles, and invented examples."""

from __future__ import annotations

from typing import Any

from crosslay.bus.messages import (
    Acknowledgement,
    Backlog,
    CharacteristicMessage,
    EvaluationMessage,
    FindingMessage,
    GapData,
    GapEvent,
    LastPart,
    OfflineMessage,
    ProcessingTimes,
    Quantity,
    RecallData,
    RecallEvent,
    RecallRange,
    ReferenceCheckAnswer,
    ReferenceCheckCommand,
    ReferenceCheckMessage,
    Rejection,
    ResultData,
    ResultEvent,
    SettingsMessage,
    StateMessage,
    StoreLevel,
    TraceMessage,
    WireVerdict,
)

DESCRIPTION = """\
A crosslay station judges the surface of parts beside an in-line stylus gauge and hands every result to the plant's MES.
Read this from the station's view: `send` is what it publishes, `receive` what it listens to.

**Delivery.** A result is stored before it is sent, has the next number of its instance, and is sent at least once until
it is acknowledged, across restarts, power cuts and lost brokers.

**What an MES does.**

1. Subscribe to `{prefix}/v1/result` with QoS 1.
2. Know an event by (`source`, `data.instanceId`, `data.sequence`). It may come more than once; its bytes never change.
3. Store it in your database, and commit.
4. Then, never before, publish an acknowledgement to `{prefix}/v1/result/ack`, QoS 1, not retained:
   `{"instanceId": …, "acknowledgedThrough": N}`. N is the highest number up to which you have everything of that
   instance; numbers begin at 1 and have no holes. It is cumulative: one message covers all before it.
5. When an event comes that you already have, acknowledge again: your first word may have been lost.
6. What you will not take goes into `rejected`; N covers it like the others. The station sets it aside for a person.
7. The order is that of `data.sequence`, never that of times. A new `data.instanceId` means a new database at the
   station: begin at 1 again, and keep what you have of the old one.
8. An event of type `org.crosslay.gap.v1` says which results will never come, and why. It has a number of its own;
   store and acknowledge it like a result. One of type `org.crosslay.recall.v1` says which passed results are in doubt
   because a reference check failed: store and acknowledge it, and have those parts held (ISO 9001:2015, 7.1.5.2).
9. `{prefix}/v1/state` shows `lastSequence` and `acknowledgedThrough`: compare them with what you have. `online: false`
   with an older `sessionNumber` than one you have seen is old news.
10. Ignore fields and types of events that you do not know; within version 1 more may be added.

At most a window of results (20 by default) is under way without an acknowledgement, in ascending order. After a
reconnect, and after a time without progress, the station sends the window again from the lowest unacknowledged one;
the MQTT 5 user property `delivery` then says `retransmission`. Results are never retained and do not expire.

A station with `acknowledge: broker` in its configuration takes the broker's PUBACK as the acknowledgement; what is lost
after that is the broker's.

**Values.** Units by UCUM; finite numbers, null where there is none, with a reason; times in RFC 3339, UTC.
`resultEvaluation` is `OK`, `NotOK`, `NotDecidable` or `Undefined` (could not be judged); only `OK` is good.

**Cautions.** A PLC treats a missing `evaluation` as a reject; a late one belongs to no later part. Nothing here is a
safety function.
"""

MESSAGE_TITLES = {
    "acknowledgement": "Acknowledgement by the MES",
    "anchor": "Anchor of the station's database",
    "condition": "Condition",
    "configuration": "What the station judges by",
    "evaluation": "Pass or fail of the present part",
    "gap": "Lost results: the data of a gap event",
    "gap-event": "Gap record",
    "identification": "Who the station is",
    "recall": "Passed results in doubt: the data of a recall event",
    "recall-event": "Recall",
    "reference-check-answer": "Answer to the command for a reference check",
    "reference-check-command": "Command for a reference check",
    "result": "One judged part: the data of a result event",
    "result-event": "Result",
    "state": "State of a station that runs",
    "state-offline": "State of a station that is gone",
}

_INSTANCE = "5b0e7c1e-0000-4000-8000-000000000001"
_RESULT = "0198f3d2-7c1e-7000-8000-00000000002a"
_HASH = "b5bb9d8014a0f9b1d61e21e796d78dccdf1352f23cd32812f4850b878ae4944c"
_TIME = "2026-03-02T08:15:30.123Z"
_SOURCE = "urn:crosslay:plant:shafts:line3:op30"


def _characteristic(callout: str, value: float, limit: float) -> CharacteristicMessage:
    verdict = WireVerdict.OK if value <= limit else WireVerdict.NOT_OK
    return CharacteristicMessage(
        name="journal", callout=callout, value=value, unit="um", upper_limit=limit, rule="Tmax", evaluation=verdict
    )


def _result() -> ResultEvent:
    data = ResultData(
        result_id=_RESULT, instance_id=_INSTANCE, sequence=42, part_id="P-0042", job_id="J-7", product_id=None,
        is_simulated=False, is_partial=False, creation_time=_TIME, clock_synchronized=True,
        processing_times=ProcessingTimes(
            start_time="2026-03-02T08:15:20.509Z", end_time="2026-03-02T08:15:30.119Z", acquisition_duration=9610.0,
            processing_duration=4.2,
        ),
        result_evaluation=WireVerdict.NOT_OK, result_evaluation_code=2,
        result_evaluation_details="1 of 2 characteristics out of tolerance",
        characteristics=[_characteristic("Ra 0.8", 0.91, 0.8), _characteristic("Rz 6.3", 4.1, 6.3)],
        settings=SettingsMessage(
            standard="iso-21920", filter="gaussian", form="line", cutoff=Quantity(value=0.8, unit="mm"),
            short_cutoff=Quantity(value=2.5, unit="um"), sections=5, setting_class="Sc3",
        ),
        findings=[FindingMessage(id="mains-hum", severity="warning", text="The profile has a component of 50 Hz.",
                                 evidence={"frequency_hz": 50.0})],
        trace=TraceMessage(points=9601, spacing=Quantity(value=0.5, unit="um"), sha256=_HASH, stored=True),
        plan_id="op30-b5bb9d8014a0", plan_hash=_HASH,
        software="crosslay 0.1.0",
    )  # fmt: skip
    return ResultEvent(
        source=_SOURCE, id=_RESULT, subject="part/P-0042", time=_TIME, sequence="0000000000000000042", data=data
    )


def _gap() -> GapEvent:
    data = GapData(
        instance_id=_INSTANCE, sequence=43, from_sequence=17, to_sequence=20, reason="store-full", creation_time=_TIME,
        clock_synchronized=True,
    )  # fmt: skip
    identifier = "0198f3d2-7c1e-7000-8000-00000000002b"
    return GapEvent(source=_SOURCE, id=identifier, time=_TIME, sequence="0000000000000000043", data=data)


def _failed_check() -> ReferenceCheckMessage:
    return ReferenceCheckMessage(
        id="0198f3d2-7c1e-7000-8000-0000000000c7", specimen="roughness-3", time=_TIME, outcome="out-of-tolerance",
        correction=1.0,
    )  # fmt: skip


def _recall() -> RecallEvent:
    good = ReferenceCheckMessage(
        id="0198f1aa-7c1e-7000-8000-0000000000c6", specimen="roughness-3", time="2026-03-02T00:15:30.123Z",
        outcome="in-tolerance", correction=1.0,
    )  # fmt: skip
    identifier = "0198f3d2-7c1e-7000-8000-00000000002c"
    data = RecallData(
        recall_id=identifier, instance_id=_INSTANCE, sequence=44, failed_check=_failed_check(), last_good_check=good,
        reason="roughness-3: Ra 2.71 µm instead of 2.94 µm", results=2, part_ids=["P-0040", "P-0041"],
        ranges=[RecallRange(instance_id=_INSTANCE, from_sequence=40, to_sequence=41, results=2)], part_ids_total=2,
        creation_time=_TIME, clock_synchronized=True,
    )  # fmt: skip
    return RecallEvent(
        source=_SOURCE, id=identifier, subject="specimen/roughness-3", time=_TIME, sequence="0000000000000000044",
        data=data,
    )  # fmt: skip


def _state() -> StateMessage:
    return StateMessage(
        instance_id=_INSTANCE, session_number=1203, time=_TIME, clock_synchronized=True, cycle="waiting",
        light="REJECT flashing", reason="1 of 2 characteristics out of tolerance", first_sequence=1, last_sequence=42,
        acknowledged_through=41, health="M", conditions=[], indicator="sysfs-led", counters={"results": 42},
        last_part=LastPart(part_id="P-0042", sequence=42, result_evaluation=WireVerdict.NOT_OK,
                           details="1 of 2 characteristics out of tolerance"),
        backlog=Backlog(depth=1, oldest_age_seconds=0.2, seconds_to_drain=0.1, quarantined=0),
        store=StoreLevel(used_percent=0.4, seconds_to_full=None, when_full="hold"),
    )  # fmt: skip


def _examples() -> dict[str, Any]:
    rejected = Rejection(sequence=41, reason="unknown job")
    models = {
        "result-event": _result(),
        "gap-event": _gap(),
        "acknowledgement": Acknowledgement.model_construct(
            instance_id=_INSTANCE, acknowledged_through=42, rejected=[rejected]
        ),
        "recall-event": _recall(),
        "reference-check-command": ReferenceCheckCommand.model_construct(
            request_id="shift-17", specimen="roughness-3", traces=None
        ),
        "reference-check-answer": ReferenceCheckAnswer(
            request_id="shift-17", status="completed", specimen="roughness-3", check=_failed_check(),
            text="roughness-3: Ra 2.71 µm instead of 2.94 µm",
        ),
        "evaluation": EvaluationMessage(part_id="P-0042", sequence=42, result_evaluation=WireVerdict.NOT_OK),
        "state": _state(),
        "state-offline": OfflineMessage(instance_id=_INSTANCE, session_number=1203, reason="connectionLost"),
    }
    return {name: model.model_dump(mode="json", by_alias=True) for name, model in models.items()}


#: Invented messages, by the names of their schemas.
EXAMPLES = _examples()
