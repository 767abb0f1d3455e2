"""How a session is laid out in an MCAP file: names of topics, and messages to and from bytes."""

import json
from base64 import b64decode, b64encode
from dataclasses import fields as fields_of
from typing import Any, get_args

from livealign.session.events import Action, Command, CommandName, Event, Tick
from livealign.snapshot import ClosingState, ItemState, Side, json_schema
from livealign.stream.contracts import Frame, LinkEvent

__all__ = ["FORMAT", "SCHEMAS", "SNAPSHOTS", "decode_event", "encode_event", "kind_of", "topic_of"]

FORMAT = "livealign.recording/1"
SNAPSHOTS = "snapshots"


def _object(
    title: str, optional: frozenset[str] = frozenset(), **properties: dict[str, Any]
) -> dict[str, Any]:
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        "type": "object",
        "properties": properties,
        "required": sorted(set(properties) - optional),
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
        optional=frozenset({"item", "state", "who", "value_mm", "action", "foot", "side", "gaps_mm"}),
        name={"enum": list(get_args(CommandName))},
        plane={"enum": ["vertical", "horizontal", None]},
        on={"type": "boolean"},
        text={"type": "string"},
        item={"type": "string"},
        state={"enum": [*get_args(ItemState), *get_args(ClosingState)]},
        who={"type": "string"},
        value_mm={"type": "number"},
        action={"enum": list(get_args(Action))},
        foot={"type": "string"},
        side={"enum": list(get_args(Side))},
        gaps_mm={"type": "array", "items": {"type": "number"}},
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
            fields = _command_fields(event)
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
            if "gaps_mm" in fields:
                fields["gaps_mm"] = tuple(fields["gaps_mm"])
            return Command(time_ns=time_ns, **fields)
        case _:
            return Tick(time_ns)


_ALWAYS = frozenset({"name", "plane", "on", "text"})


def _command_fields(command: Command) -> dict[str, Any]:
    """Return what every command has, and of the rest what is said: recordings of every version look alike."""
    return {
        f.name: getattr(command, f.name)
        for f in fields_of(command)
        if f.name in _ALWAYS or (f.name != "time_ns" and getattr(command, f.name) != f.default)
    }


_TYPES: dict[str, tuple[type, ...]] = {
    "string": (str,),
    "boolean": (bool,),
    "integer": (int,),
    "number": (int, float),
}


def _check(kind: str, fields: dict[str, Any]) -> None:
    """Raise an error if a value is not what its schema says: damage that is still good JSON."""
    schema = SCHEMAS[kind]
    unknown = set(fields) - set(schema["properties"])
    if kind == "commands" and unknown:
        raise ValueError(f"{min(unknown)} is not known")
    for name, rule in schema["properties"].items():
        if name not in fields and name not in schema["required"]:
            continue
        if not _right(fields[name], rule):
            raise ValueError(f"{name} is {fields[name]!r:.40}")


def _right(value: Any, rule: dict[str, Any]) -> bool:
    if "enum" in rule:
        return value in rule["enum"]
    if rule["type"] == "array":
        return isinstance(value, list) and all(_right(v, rule["items"]) for v in value)
    return type(value) in _TYPES[rule["type"]] and value >= rule.get("minimum", value)
