"""What no bytes on a link may do to a format, one check for each format and way of framing.

A check takes arbitrary bytes and fails (AssertionError, or whatever escapes) if a format raises, gives an infinite
number, reads a stream otherwise in other pieces, keeps more than its longest record, or, where a checksum is
required, gives a record that stands behind no right checksum.
"""

import math
import re
import struct
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from fuzz.independent import sealed_cobs, sealed_slip, sum_of, unstuffed_cobs, unstuffed_slip
from fuzz.streams import Stream, told
from livealign_drivers.binary import BinaryFormat, BinaryOptions
from livealign_drivers.delimited import DelimitedFormat, DelimitedOptions
from livealign_drivers.json_lines import JsonLinesFormat, JsonLinesOptions
from livealign_drivers.senml import SenmlFormat, SenmlOptions
from livealign_drivers.sentence import SentenceFormat, SentenceOptions

__all__ = ["CHECKS", "delimited", "json_lines", "senml", "sentence"]

Row = dict[str, float]
MOST_SINGLY = 150
"""Longer streams are not read byte by byte as well, which takes too long."""


@dataclass(frozen=True)
class Outcome:
    """All that a stream gives."""

    rows: list[Row]
    bad: int
    last_bad: str


def delimited(data: bytes) -> None:
    """Lines of numbers."""
    stream = told(data, lambda k, body: _sealed_line(_of(DELIMITED, k), body))
    options = _of(DELIMITED, stream.choice)
    rows = _read(lambda: DelimitedFormat(options), stream, longest=options.max_line).rows
    if options.checksum != "none":
        lines = [_line_numbers(options, line) for line in _lines(stream)]
        _vouched(rows, lines, lambda row, line: sorted(row.values()) == line)


def json_lines(data: bytes) -> None:
    """A JSON object a line."""
    stream = told(data, lambda _, body: body + b"\n")
    _read(lambda: JsonLinesFormat(JSON), stream, longest=JSON.max_line)


def senml(data: bytes) -> None:
    """A pack a line, or one a message."""
    stream = told(data, lambda _, body: b"[" + body.replace(b"\n", b",") + b"]\n")
    options = _of(PACKS, stream.choice)
    whole = options.framing == "message"
    _read(lambda: SenmlFormat(options), stream, longest=0 if whole else 256, messages=whole)


def sentence(data: bytes) -> None:
    """`$TTSSS,field*hh`."""
    stream = told(data, lambda _, body: b"$%b*%02X\r\n" % (body, sum_of("xor8", body)))
    options = _of(SENTENCES, stream.choice)
    rows = _read(lambda: SentenceFormat(options), stream, longest=options.max_line).rows
    if options.checksum == "required":
        lines = [_sentence_numbers(line) for line in _lines(stream)]
        _vouched(rows, lines, lambda row, line: {v / options.scale.get(n, 1) for n, v in row.items()} <= line)


def _binary(framing: str) -> Callable[[bytes], None]:
    def check(data: bytes) -> None:
        stream = told(data, lambda k, body: _sealed_record(_of(BINARY[framing], k), body))
        options = _of(BINARY[framing], stream.choice)
        whole, longest = framing == "message", 2 * _size(options) + 2
        rows = _read(lambda: BinaryFormat(options), stream, longest=longest, messages=whole).rows
        if options.checksum != "none":
            parts = [*stream.before, *stream.after] if whole else stream.parts
            right = [numbers for part in parts for numbers in _records(options, part)]
            _vouched(rows, right, lambda row, numbers: row == numbers)

    return check


# ---- reading


def _read(make: Callable[[], Any], stream: Stream, *, longest: int, messages: bool = False) -> Outcome:
    """Read a stream in its pieces, whole and byte by byte; all have to give the same."""
    found = _outcome(make(), stream.before, stream.after, longest)
    before, after = b"".join(stream.before), b"".join(stream.after)
    if not messages:
        assert _outcome(make(), [before], [after] if stream.after else [], longest) == found
        if len(before) + len(after) <= MOST_SINGLY:
            singly = [[part[i : i + 1] for i in range(len(part))] for part in (before, after)]
            assert _outcome(make(), singly[0], singly[1], longest) == found
    return found


def _outcome(form: Any, before: list[bytes], after: list[bytes], longest: int) -> Outcome:
    rows: list[Row] = []
    bad, last_bad = 0, ""
    for interrupted, pieces in enumerate((before, after)):
        if interrupted and pieces:
            form.reset()
        for piece in pieces:
            records = form.decode(piece)
            assert all(len(c) == records.count for c in records.columns.values())
            assert not any(np.isinf(c).any() for c in records.columns.values())
            assert (records.bad > 0) == bool(records.last_bad)
            assert records.last_bad.isprintable()
            assert len(records.last_bad) < 500
            assert _held(form) <= longest + 2, "more is kept than the longest record"
            bad, last_bad = bad + records.bad, records.last_bad or last_bad
            rows += _rows(records)
    return Outcome(rows, bad, last_bad)


def _rows(records: Any) -> Iterator[Row]:
    columns = {name: values.tolist() for name, values in records.columns.items()}
    for i in range(records.count):
        yield {name: values[i] for name, values in columns.items() if not math.isnan(values[i])}


def _held(thing: Any, depth: int = 4) -> int:
    """Return how many bytes an object keeps in attributes, its parts' included; what is fixed is short."""
    if isinstance(thing, bytes | bytearray):
        return len(thing)
    if isinstance(thing, list | tuple | dict | set):
        items = thing.values() if isinstance(thing, dict) else thing
        return sum(_held(x, depth - 1) for x in items) if depth else 0
    if depth and type(thing).__module__.startswith("livealign_drivers"):
        kept = {k: v for k, v in vars(thing).items() if k in {"_cutter", "_scanner", "_rest"}}
        return sum(_held(v, depth - 1) for v in kept.values())
    return 0


def _vouched(rows: list[Row], right: Iterable[Any], fits: Callable[[Row, Any], bool]) -> None:
    """Each record has one of its own, in the same order, among what carries a right checksum."""
    candidates = (x for x in right if x is not None)
    for row in rows:
        assert any(fits(row, x) for x in candidates), f"nothing with a right checksum says {row}"


# ---- lines


def _lines(stream: Stream) -> Iterator[bytes]:
    for part in stream.parts:
        for line in part.split(b"\n"):
            yield line.removesuffix(b"\r")


def _line_numbers(options: DelimitedOptions, line: bytes) -> list[float] | None:
    body, _, digits = line.rstrip(b" \t").rpartition(b"*")
    prefix = options.prefix.encode()
    if not body.startswith(prefix) or not re.fullmatch(rb"[0-9A-Fa-f]+", digits):
        return None
    body = body[len(prefix) :]
    if int(digits, 16) != sum_of(options.checksum, body):
        return None
    between = None if options.delimiter == "whitespace" else options.delimiter.encode()
    cells = body.split(between)
    if options.label_value:
        named = [cell.split(options.separator.encode(), 1) for cell in cells]
        cells = [c[1] for c in named if len(c) == 2 and c[0].strip(b" \t").decode("latin-1") in "abc"]
    return sorted(x for x in map(_number, cells) if x is not None)


def _number(cell: bytes) -> float | None:
    try:
        return float(cell)
    except ValueError:
        return None


def _sentence_numbers(line: bytes) -> set[float] | None:
    body, _, digits = line.rpartition(b"$")[2].rpartition(b"*")
    if not re.fullmatch(rb"[0-9A-Fa-f]{2}", digits.strip(b" \t\r")) or int(digits, 16) != sum_of(
        "xor8", body
    ):
        return None
    return {x for x in map(_number, body.split(b",")) if x is not None}


def _sealed_line(options: DelimitedOptions, body: bytes) -> bytes:
    prefix = options.prefix.encode()
    if options.checksum == "none":
        return prefix + body + b"\n"
    digits = {"xor8": 2, "sum8": 2, "crc16": 4, "crc32": 8}[options.checksum]
    return b"%b%b*%0*X\n" % (prefix, body, digits, sum_of(options.checksum, body))


# ---- packed records


def _size(options: BinaryOptions) -> int:
    return len(bytes.fromhex(options.sync)) + struct.calcsize(options.layout) + _sum_size(options.checksum)


def _sum_size(kind: str) -> int:
    return {"none": 0, "sum8": 1, "xor8": 1, "crc32": 4}.get(kind, 2)


def _order(options: BinaryOptions) -> Any:
    return options.checksum_order or ("little" if options.layout[0] == "<" else "big")


def _sum(options: BinaryOptions, body: bytes) -> int:
    covered = bytes.fromhex(options.sync) + body if options.checksum_covers == "all" else body
    return sum_of(options.checksum, covered)


def _sealed_record(options: BinaryOptions, body: bytes) -> bytes:
    wide = struct.calcsize(options.layout)
    body = body[:wide].ljust(wide, b"\x00")
    size = _sum_size(options.checksum)
    told = _sum(options, body).to_bytes(size, _order(options)) if size else b""
    frame = bytes.fromhex(options.sync) + body + told
    return {"cobs": sealed_cobs, "slip": sealed_slip}.get(options.framing, bytes)(frame)


def _records(options: BinaryOptions, stream: bytes) -> Iterator[Row | None]:
    """Yield what could be a record, wherever it begins."""
    if options.framing == "sync":
        size = _size(options)
        sync = bytes.fromhex(options.sync)
        at = stream.find(sync)
        while at >= 0:
            yield _record(options, stream[at : at + size])
            at = stream.find(sync, at + 1)
    elif options.framing == "message":
        yield _record(options, stream)
    else:
        end, plain = (b"\x00", unstuffed_cobs) if options.framing == "cobs" else (b"\xc0", unstuffed_slip)
        for between in stream.split(end):
            frame = plain(between)
            yield None if frame is None else _record(options, frame)


def _record(options: BinaryOptions, frame: bytes) -> Row | None:
    sync, wide = bytes.fromhex(options.sync), struct.calcsize(options.layout)
    body, told = frame[len(sync) : len(sync) + wide], frame[len(sync) + wide :]
    if len(frame) != _size(options) or not frame.startswith(sync):
        return None
    if int.from_bytes(told, _order(options)) != _sum(options, body):
        return None
    numbers = zip(options.columns, struct.unpack(options.layout, body), strict=True)
    scaled = {name: float(number) * options.scale.get(name, 1.0) for name, number in numbers}
    return {name: number for name, number in scaled.items() if not math.isnan(number)}


# ---- configurations


def _of(configurations: list[Any], choice: int) -> Any:
    return configurations[choice % len(configurations)]


ABC = ("a", "b", "c")
DELIMITED = [
    DelimitedOptions(**given, max_line=64)
    for given in (
        {"columns": ABC},
        {"columns": ABC, "checksum": "xor8"},
        {"columns": ABC, "checksum": "sum8", "prefix": "$H,"},
        {"columns": ABC, "checksum": "crc16", "delimiter": "whitespace"},
        {"columns": ABC, "checksum": "crc32", "delimiter": "tab"},
        {"columns": ABC, "delimiter": "whitespace", "prefix": "$"},
        {"columns": None, "header": True, "checksum": "xor8"},
        {"columns": ABC, "label_value": True, "checksum": "xor8"},
        {"columns": ("a", "b"), "header": True},
        {"columns": ABC, "label_value": True, "delimiter": "whitespace", "separator": "="},
        {"columns": ("a",), "comment": ""},
    )
]
JSON = JsonLinesOptions.model_validate({"fields": {"a": "a", "b": "b.c"}, "max_line": 128})
SENML = {"a": "a", "b": {"name": "b", "unit": "m"}}
PACKS = [
    SenmlOptions.model_validate(
        {"fields": {**SENML, "t": {"time": time}}, "framing": framing, "max_bytes": 256}
    )
    for framing in ("lines", "message")
    for time in ("relative", "absolute")
]
SENTENCE = {"fields": {"angle": "XDR.A", "spot": "XDR.S", "n": "RIG.1", "own": "PSTRG.2"}, "max_line": 82}
SENTENCES = [
    SentenceOptions.model_validate(SENTENCE | more)
    for more in ({}, {"checksum": "optional"}, {"scale": {"spot": 1024.0}})
]
PACKED = {"layout": ">Hxbf", "columns": ABC}
SUMS = [
    {"checksum": "crc32"},
    {"checksum": "crc16-ccitt", "scale": {"c": 1e30}},
    {"checksum": "crc16-xmodem", "checksum_covers": "all"},
    {"checksum": "crc16-modbus", "checksum_order": "little"},
    {"checksum": "sum8", "layout": "<Hbe"},
    {"checksum": "xor8", "layout": "<eqd"},
    {},
]
SYNCS = ["aa55", "aaaa", "00", "a55a01"]
BINARY = {
    framing: [
        BinaryOptions.model_validate(
            {**PACKED, **some, "framing": framing, "sync": SYNCS[k % 4] if framing == "sync" else ""}
        )
        for k, some in enumerate(SUMS)
    ]
    for framing in ("sync", "cobs", "slip", "message")
}

CHECKS: dict[str, Callable[[bytes], None]] = {
    "delimited": delimited,
    "json-lines": json_lines,
    "senml": senml,
    "sentence": sentence,
    **{f"binary-{framing}": _binary(framing) for framing in BINARY},
}
"""Target -> its check."""
