"""Holds every message on the bus against the published contract: schema, topic, quality of service, headers.

The schemas are those in ``config/``, as a foreign reader has them; the judge is an independent JSON Schema library.
"""

from __future__ import annotations

import datetime as dt
import json
import re
import uuid
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator, FormatChecker
from paho.mqtt.client import MQTTMessage

from crosslay.bus.topics import LEAVES, Keep, Leaf, Way

CONFIG = Path(__file__).parents[1] / "config"
DELIVERIES = {"original", "retransmission", "replay"}
_RFC3339 = re.compile(r"^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?Z$")

_formats = FormatChecker(())


@_formats.checks("date-time")
def _is_time(value: object) -> bool:
    """RFC 3339, section 5.6, in UTC as the contract says."""
    if not isinstance(value, str):
        return True
    try:
        dt.datetime.fromisoformat(value)
    except ValueError:
        return False
    return _RFC3339.match(value) is not None


@_formats.checks("uuid")
def _is_uuid(value: object) -> bool:
    if not isinstance(value, str):
        return True
    try:
        return str(uuid.UUID(value)) == value
    except ValueError:
        return False


@cache
def schema(name: str) -> dict[str, Any]:
    """A published schema."""
    found: dict[str, Any] = json.loads((CONFIG / "schemas" / f"{name}.json").read_text("utf-8"))
    return found


@cache
def validator(name: str) -> Draft202012Validator:
    """The judge of one schema."""
    return Draft202012Validator(schema(name), format_checker=_formats)


def violations(message: MQTTMessage, prefix: str) -> list[str]:
    """What a message from the station does not keep of the contract; empty where all is well.

    Messages to the station are not judged: tests send it nonsense on purpose. The subscription must ask for retained
    messages as published, or the retain flag says nothing.
    """
    leaf = leaf_of(message.topic.removeprefix(f"{prefix}/"))
    if leaf is None:
        return [f"{message.topic}: is no topic of the contract"]
    if leaf.way is Way.IN:
        return []
    payload = bytes(message.payload)
    if not payload:  # how a test clears what the broker keeps
        return []
    return [f"{message.topic}: {problem}" for problem in (*_carried(message, leaf), *_content(payload, leaf))]


def leaf_of(path: str) -> Leaf | None:
    """The row of the contract's table for a topic below the prefix."""
    for leaf in LEAVES:
        rest = path.removeprefix(f"{leaf.path}/")
        if (path == leaf.path and not leaf.parameter) or (leaf.parameter and rest != path and "/" not in rest and rest):
            return leaf
    return None


def _carried(message: MQTTMessage, leaf: Leaf) -> list[str]:
    problems = []
    if message.qos != leaf.qos:
        problems.append(f"QoS {message.qos} instead of {leaf.qos}")
    if message.retain != (leaf.keep is Keep.RETAINED):
        problems.append(f"{'' if message.retain else 'not '}retained, and must be {leaf.keep.value}")
    properties = message.properties
    if properties is None or properties.isEmpty():  # MQTT 3.1.1 has none
        return problems
    types = {each.content_type for each in leaf.messages}
    if getattr(properties, "ContentType", None) not in types:
        problems.append(f"content type {getattr(properties, 'ContentType', None)}, not {types}")
    if getattr(properties, "PayloadFormatIndicator", None) != 1:
        problems.append("is not said to be UTF-8 text")
    expiry_s = getattr(properties, "MessageExpiryInterval", None)
    if (expiry_s is None) != (leaf.expiry_s is None) or (expiry_s is not None and expiry_s > leaf.expiry_s):
        problems.append(f"expires after {expiry_s} s instead of {leaf.expiry_s}")
    said = [value for name, value in getattr(properties, "UserProperty", []) if name == "delivery"]
    if leaf.repeats != (len(said) == 1 and said[0] in DELIVERIES):
        problems.append(f"delivery is {said}")
    return problems


def _content(payload: bytes, leaf: Leaf) -> list[str]:
    try:
        document = json.loads(payload.decode("utf-8"), parse_constant=_refuse)
    except ValueError as error:
        return [f"is no JSON ({error})"]
    tried = {each.name: list(validator(each.name).iter_errors(document)) for each in leaf.messages}
    if sum(not errors for errors in tried.values()) == 1:
        return []
    if not any(tried.values()):
        return [f"is both {' and '.join(tried)}"]
    return [f"is no {name}: {errors[0].json_path}: {errors[0].message}" for name, errors in tried.items()]


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} is no number of JSON")
