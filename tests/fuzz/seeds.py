"""Good beginnings for the search: what real devices would send, a rig, a job, a recording."""

import io
from pathlib import Path

from mcap.writer import Writer

from fuzz.streams import MARK
from livealign.record.layout import FORMAT, encode_event, topic_of
from livealign.session.events import Command, Event, Tick
from livealign.stream.contracts import Frame, LinkEvent

__all__ = ["seeds"]

EVENTS: list[Event] = [
    LinkEvent("S", "open", 0),
    Frame("S", b"1,2.5*01", 10),
    Command("adjust", 20, "vertical", on=True, text="so"),
    Tick(30),
]
EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"


def seeds(target: str) -> list[bytes]:
    """Return inputs for a target."""
    if target in {"job", "rig"}:
        return [path.read_bytes() for path in sorted(EXAMPLES.glob(f"{target}*.toml"))]
    if target == "recording":
        return [_recording(chunked=False), _recording(chunked=True)]
    return [bytes([k, how]) + cuts + body for k in range(12) for how, cuts in CUTS for body in BODIES[target]]


CUTS = [(0x00, b""), (0x93, b"\x05\x01\x07")]


def _sealed(*bodies: bytes) -> bytes:
    return MARK + (MARK + MARK).join(bodies) + MARK


LINES = [b"%d,%d.5,-3e2" % (k, k) for k in range(20)]
NUMBERS = [bytes([k, 1, 0, 7, 0x3F, 0x80, 0, 0, 9, 9]) for k in range(40)]
PACK = b'{"bn":"","n":"a","v":1,"t":-5},{"n":"b","u":"m","v":2,"bt":1.3e9}'
BODIES = {
    "delimited": [
        _sealed(*LINES),
        _sealed(*(line.replace(b",", b" ") for line in LINES)),
        _sealed(*(line.replace(b",", b"\t") for line in LINES)),
        _sealed(b"a,c,b", *LINES[:9], b"b,a", b"1,2", b"1,", b"a:1,b:2,c:3", b"a=1 b=2"),
    ],
    "json-lines": [_sealed(b'{"a":1.5,"b":{"c":-2e3}}', b'{"b":null,"a":1}', b'[{"a":1}]')],
    "senml": [_sealed(PACK, b'{"n":"a","v":4},{"n":"a","v":5}', b'{"bn":"b","bu":"m","bv":3}')],
    "sentence": [
        _sealed(b"IIXDR,A,12.5,D,A,D,0.5,M,S", b"YXRIG,7,,2", b"PSTRG,1,2", b"GPZDA,1") + b"\\s:h*1C\\",
    ],
    "binary-sync": [_sealed(*NUMBERS), b"\xaa\x55" + _sealed(*NUMBERS[:3]) + b"\x00\xaa"],
    "binary-cobs": [_sealed(*NUMBERS)],
    "binary-slip": [_sealed(*NUMBERS), _sealed(b"\xc0\xdb\xdc\xdd\xc0\xdb\xdc\xdd")],
    "binary-message": [_sealed(*NUMBERS[:1]), _sealed(*NUMBERS[:2])],
}


def _recording(*, chunked: bool) -> bytes:
    """Write a short recording; without chunks, no checksum keeps a search from its events."""
    out = io.BytesIO()
    writer = Writer(out, use_chunking=chunked)
    writer.start(library="livealign")
    session = {"format": FORMAT, "start": "2026-01-01T00:00:00+00:00", "start_unix_ns": "1", "version": "0"}
    writer.add_metadata("session", {**session, "snapshots_per_s": "10.0"})
    for name in ("job.toml", "rig.toml"):
        writer.add_metadata(name, {"text": ""})
    schema = writer.register_schema("any", "jsonschema", b"{}")
    for number, event in enumerate(EVENTS):
        channel = writer.register_channel(topic_of(event), "json", schema)
        writer.add_message(channel, event.time_ns + 1, encode_event(event), 1, sequence=number)
    writer.finish()
    return out.getvalue()
