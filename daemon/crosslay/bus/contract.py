"""The published contract, made of the models and the table of topics: JSON Schemas and an AsyncAPI 3 document.

``python -m crosslay.bus.contract config/`` writes them; a test proves that the files there are current. Nothing of the
running station imports this.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema, models_json_schema

from crosslay.bus.contract_text import DESCRIPTION, EXAMPLES, MESSAGE_TITLES
from crosslay.bus.topics import LEAVES, SCHEMAS, Keep, Leaf, Message, Way
from crosslay.bus.window import Delivery
from crosslay.bus.wire import MAX_INBOUND_BYTES, Inbound, Wire, schema_id
from crosslay.errors import UsageError

DIALECT = "https://json-schema.org/draft/2020-12/schema"
#: Version of the contract: the first number is that in the topics, the second grows with each addition.
VERSION = "1.0.0"
_BINDING = "0.2.0"
_COMPONENTS = "#/components/schemas/"

Json = dict[str, Any]


def json_schemas() -> dict[str, Json]:
    """Every published schema by name, JSON Schema draft 2020-12, each complete in itself."""
    return {name: _schema(name, model) for name, model in SCHEMAS.items()}


def asyncapi() -> Json:
    """The AsyncAPI 3.0 document: topics, directions, messages and how they travel, from the station's view."""
    messages = {message.name: message for leaf in LEAVES for message in leaf.messages}
    return {
        "asyncapi": "3.0.0",
        "id": "urn:crosslay:contract:1",
        "info": {
            "title": "crosslay station",
            "version": VERSION,
            "description": DESCRIPTION,
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "servers": _servers(),
        "channels": {leaf.name: _channel(leaf) for leaf in LEAVES},
        "operations": {f"{leaf.way.value}-{leaf.name}": _operation(leaf) for leaf in LEAVES},
        "components": {
            "messages": {
                name: _message(message, leaf) for leaf in LEAVES for name, message in messages.items()
                if message in leaf.messages
            },
            "schemas": _components(),
            "parameters": _parameters(),
            "securitySchemes": {
                "userPassword": {"type": "userPassword", "description": "Only under TLS."},
                "certificate": {"type": "X509", "description": "Mutual TLS."},
            },
        },
    }  # fmt: skip


def files() -> dict[str, str]:
    """Names below the folder of the published contract, and their content."""
    documents = {f"schemas/{name}.json": schema for name, schema in json_schemas().items()}
    documents["asyncapi.json"] = asyncapi()
    return {name: json.dumps(document, indent=2, ensure_ascii=False) + "\n" for name, document in documents.items()}


def main(arguments: list[str]) -> int:
    """Write the contract into the folder named."""
    if len(arguments) != 1:
        sys.stderr.write("usage: python -m crosslay.bus.contract FOLDER\n")
        return UsageError.exit_code
    folder = Path(arguments[0])
    (folder / "schemas").mkdir(parents=True, exist_ok=True)
    for name, text in files().items():
        (folder / name).write_text(text, "utf-8")
    sys.stdout.write(f"{len(files())} files written to {folder}\n")
    return 0


def _schema(name: str, model: type[Wire | Inbound]) -> Json:
    schema = TypeAdapter(model).json_schema(mode=_mode(model), schema_generator=GenerateJsonSchema)
    tidied = _tidied(schema)
    tidied.pop("title", None)
    return {"$schema": DIALECT, "$id": schema_id(name), "title": MESSAGE_TITLES[name], **tidied}


def _mode(model: type[Wire | Inbound]) -> Literal["serialization", "validation"]:
    return "serialization" if issubclass(model, Wire) else "validation"


def _components() -> Json:
    """The same schemas for the AsyncAPI document, whose parsers know draft 7: definitions beside each other."""
    models = [(model, _mode(model)) for model in SCHEMAS.values()]
    _, shared = models_json_schema(models, ref_template=_COMPONENTS + "{model}")
    return {name: _walk(_tidied(schema), _alone) for name, schema in sorted(shared["$defs"].items())}


def _tidied(schema: Json) -> Json:
    """Without the titles that are made of field names, and with what every message bears said to be required."""
    tidied: Json = _walk(_walk(schema, _in_one_way), _tidy)
    return tidied


def _in_one_way(node: Json) -> Json:
    """What versions of pydantic write in different ways, in that of the newest."""
    if "const" in node:
        node = {key: value for key, value in node.items() if key != "enum"}
    match node.get("allOf"):
        case [{"$ref": reference}]:
            return {"$ref": reference, **{key: value for key, value in node.items() if key != "allOf"}}
    return node


def _tidy(node: Json) -> Json:
    properties = node.get("properties")
    if not isinstance(properties, dict):
        return node
    # Only titles of properties go: a property may itself be called "title".
    cleaned = {name: {key: value for key, value in each.items() if key != "title" and (key, value) != ("default", None)}
               for name, each in properties.items()}  # fmt: skip
    # A constant has a default in the model; on the wire it is always there, and messages are told apart by it.
    constants = {name for name, each in cleaned.items() if "const" in each}
    required = [name for name in cleaned if name in constants or name in node.get("required", [])]
    return {**node, "properties": cleaned, "required": required} if required else {**node, "properties": cleaned}


def _alone(node: Json) -> Json:
    """A reference with a description beside it, as draft 7 wants it."""
    if "$ref" not in node or len(node) == 1:
        return node
    rest = {key: value for key, value in node.items() if key != "$ref"}
    return {"allOf": [{"$ref": node["$ref"]}], **rest}


def _walk(node: Any, change: Callable[[Json], Json]) -> Any:
    """Apply a change to every object, outermost first."""
    if isinstance(node, dict):
        return {key: _walk(value, change) for key, value in change(node).items()}
    return [_walk(each, change) for each in node] if isinstance(node, list) else node


def _servers() -> Json:
    binding = {
        "mqtt": {
            "clientId": "crosslay-{instanceId}", "cleanSession": True, "keepAlive": 10, "sessionExpiryInterval": 0,
            "lastWill": {"topic": "{prefix}/v1/state", "qos": 1, "retain": True,
                         "message": "the message state-offline with reason connectionLost"},
            "bindingVersion": _BINDING,
        }
    }  # fmt: skip
    return {
        "plant": {
            "host": "{broker}:8883", "protocol": "secure-mqtt", "protocolVersion": "5",
            "description": "The plant's broker, over TLS 1.2 or newer with the certificate and the name verified.",
            "variables": {"broker": {"description": "Host name as in the broker's certificate.",
                                     "examples": ["broker.plant.example"]}},
            "security": [{"$ref": "#/components/securitySchemes/userPassword"},
                         {"$ref": "#/components/securitySchemes/certificate"}],
            "bindings": binding,
        },
        "local": {
            "host": "localhost:1883", "protocol": "mqtt", "protocolVersion": "5",
            "description": "A broker on the station's own computer; plain MQTT is allowed nowhere else.",
            "bindings": binding,
        },
    }  # fmt: skip


def _parameters() -> Json:
    return {
        "prefix": {
            "description": "Topic of the station, of one to eight levels, each of a-z, 0-9, _ and -: "
                           "{enterprise}/{site}/{area}/{line}/{cell}/{station} or fewer.",
            "examples": ["plant/shafts/line3/op30"],
        },
        "conditionId": {"description": "Id of the condition.", "examples": ["broker-offline", "store-failed"]},
    }  # fmt: skip


def _channel(leaf: Leaf) -> Json:
    address = f"{{prefix}}/{leaf.path}" + (f"/{{{leaf.parameter}}}" if leaf.parameter else "")
    parameters = ["prefix", *([leaf.parameter] if leaf.parameter else [])]
    return {
        "address": address,
        "summary": leaf.summary,
        "parameters": {name: {"$ref": f"#/components/parameters/{name}"} for name in parameters},
        "messages": {each.name: {"$ref": f"#/components/messages/{each.name}"} for each in leaf.messages},
    }


def _operation(leaf: Leaf) -> Json:
    mqtt: Json = {"qos": leaf.qos, "retain": leaf.keep is Keep.RETAINED}
    if leaf.expiry_s is not None:
        mqtt["messageExpiryInterval"] = leaf.expiry_s
    channel = f"#/channels/{leaf.name}"
    return {
        "action": leaf.way.value,
        "channel": {"$ref": channel},
        "summary": leaf.summary,
        "messages": [{"$ref": f"{channel}/messages/{each.name}"} for each in leaf.messages],
        "bindings": {"mqtt": {**mqtt, "bindingVersion": _BINDING}},
    }


def _message(message: Message, leaf: Leaf) -> Json:
    mqtt: Json = {"bindingVersion": _BINDING}
    if leaf.way is Way.OUT:
        mqtt = {"payloadFormatIndicator": 1, "contentType": message.content_type, **mqtt}
    made: Json = {
        "name": message.name,
        "title": MESSAGE_TITLES[message.name],
        "contentType": message.content_type,
        "payload": {"$ref": f"{_COMPONENTS}{message.model.__name__}"},
        "bindings": {"mqtt": mqtt},
    }
    if leaf.way is Way.IN:
        made["description"] = f"At most {MAX_INBOUND_BYTES} bytes; anything malformed is counted and changes nothing."
    if leaf.repeats:
        made["headers"] = _delivery()
    if message.name in EXAMPLES:
        made["examples"] = [{"name": "invented", "payload": EXAMPLES[message.name]}]
    return made


def _delivery() -> Json:
    """The user property of repeated messages (DC-30)."""
    words = [each.value for each in Delivery]
    text = "MQTT 5 user property: original, or perhaps sent before. The payload is the same each time."
    return {"type": "object", "properties": {"delivery": {"type": "string", "enum": words, "description": text}}}


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
