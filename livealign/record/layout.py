"""How a session is laid out in an MCAP file: names of topics, and messages to and from bytes."""

import json
from base64 import b64decode, b64encode
from typing import Any

from livealign.session.events import Command, Event, Tick
from livealign.snapshot import json_schema
from livealign.stream.contracts import Frame, LinkEvent

__all__ = ["FORMAT", "SCHEMAS", "SNAPSHOTS", "decode_event", "encode_event", "kind_of", "topic_of"]

FORMAT = "livealign.recording/1"
SNAPSHOTS = "snapshots"


def _object(title: str, **properties: dict[str, Any]) -> dict[str, Any]:
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        "type": "object",
        "properties": properties,
        "required": sorted(properties),
        "additionalProperties": False,
    }


SCHEMAS: dict[str, dict[str, Any]] = {
    "frames": _object("livealign.Frame", payload={"type": "string", "contentEncoding": "base64"}),
    "links": _object(
        "livealign.LinkEvent",
        state={"enum": ["connecting", "open", "silent", "lost", "refused", "ended"]},
        detail={"type": "string"},
        dropped={"type": "integer", "minimum": 0},
    ),
    "commands": _object(
        "livealign.Command",
        name={"enum": ["begin_rotation", "end_rotation", "adjust", "hold", "note"]},
        plane={"enum": ["vertical", "horizontal", None]},
        on={"type": "boolean"},
        text={"type": "string"},
    ),
    "ticks": _object("livealign.Tick"),
    SNAPSHOTS: json_schema(),
}
"""JSON Schema of the messages, by kind (the part of a topic before the slash)."""


def topic_of(event: Event) -> str:
    """Return the topic an event is kept under."""
    match event:
        case Frame():
            return f"frames/{event.link}"
        case LinkEvent():
            return f"links/{event.link}"
        case Command():
            return "commands"
        case Tick():
            return "ticks"


def kind_of(topic: str) -> str:
    """Return the kind of a topic: its part before the slash."""
    return topic.partition("/")[0]


def encode_event(event: Event) -> bytes:
    """Return the event as a JSON message; its time and link are kept beside it, by the file."""
    match event:
        case Frame():
            return b'{"payload":"' + b64encode(event.payload) + b'"}'
        case LinkEvent():
            fields: dict[str, Any] = {"state": event.state, "detail": event.detail, "dropped": event.dropped}
        case Command():
            fields = {"name": event.name, "plane": event.plane, "on": event.on, "text": event.text}
        case Tick():
            return b"{}"
    return json.dumps(fields, ensure_ascii=False, separators=(",", ":")).encode()


def decode_event(topic: str, data: bytes, time_ns: int) -> Event | None:
    """Return the event that `encode_event` wrote, or None for a topic that holds no events.

    Raises:
        ValueError, KeyError, TypeError: if the message is damaged.
    """
    kind, _, link = topic.partition("/")
    if kind not in SCHEMAS or kind == SNAPSHOTS:
        return None
    fields = json.loads(data)
    _check(kind, fields)
    match kind:
        case "frames":
            return Frame(link, b64decode(fields["payload"], validate=True), time_ns)
        case "links":
            return LinkEvent(link, fields["state"], time_ns, fields["detail"], fields["dropped"])
        case "commands":
            return Command(fields["name"], time_ns, fields["plane"], fields["on"], fields["text"])
        case _:
            return Tick(time_ns)


_TYPES = {"string": str, "boolean": bool, "integer": int}


def _check(kind: str, fields: dict[str, Any]) -> None:
    """Raise a ValueError if a value is not what its schema says: damage that is still good JSON."""
    for name, rule in SCHEMAS[kind]["properties"].items():
        value = fields[name]
        if "enum" in rule:
            right = value in rule["enum"]
        else:
            right = type(value) is _TYPES[rule["type"]] and value >= rule.get("minimum", value)
        if not right:
            raise ValueError(f"{name} is {value!r:.40}")
