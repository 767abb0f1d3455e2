"""Lines of numbers: delimiter, prefix, checksum, labels, header."""

import re
from collections import Counter
from collections.abc import Hashable, Iterable, Iterator, Sequence
from itertools import product
from typing import TypeVar

from livealign.listen.guess import Field, Shape
from livealign.listen.names import plain_name, unique_names

__all__ = ["delimited_shapes", "unreadable_numbers"]

NUMBER = re.compile(rb"[ \t]*(?:[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)?[ \t]*")
DECIMAL_COMMA = re.compile(rb"[ \t]*[+-]?[0-9]+,[0-9]+[ \t]*")
NAME = re.compile(rb"[ \t]*[A-Za-z_][A-Za-z0-9 _.-]{0,59}[ \t]*")
ENDING = re.compile(rb"\*([0-9A-Fa-f]{8}|[0-9A-Fa-f]{4}|[0-9A-Fa-f]{2})$")
LEAD = re.compile(rb"[^0-9+.\-]*")
PREFIX = re.compile(rb"[!-~]{0,16}")
PUNCTUATION = re.compile(rb"[!-/:-@\[-`{-~]*")
CHECKSUMS: dict[int, tuple[str, ...]] = {0: ("none",), 2: ("xor8", "sum8"), 4: ("crc16",), 8: ("crc32",)}
WHITESPACE = "whitespace"
DELIMITERS = (",", ";", "\t", WHITESPACE, "|", "/", ":", "&", "=")
NAMED = {",": "a comma", ";": "a semicolon", "\t": "a tab", WHITESPACE: "blanks"}
COMMENTS = (b"#", b"%", b"//", b";")
SUM_WORDS = {
    "xor8": "the XOR of the bytes before",
    "sum8": "the sum of the bytes before, modulo 256",
    "crc16": "their CRC-16 (XMODEM)",
    "crc32": "their CRC-32",
}
ENOUGH = 0.6

T = TypeVar("T", bound=Hashable)


def delimited_shapes(lines: Sequence[bytes]) -> Iterator[Shape]:
    """Yield how lines of numbers could be read; `lines` are whole, without their ends and not empty."""
    comment = _comment(lines)
    used = [line for line in lines if not comment or not line.lstrip(b" \t").startswith(comment)]
    if not used:
        return
    digits = _most_common(len(m[1]) if (m := ENDING.search(line)) else 0 for line in used)
    bare = [ENDING.sub(b"", line) if digits else line for line in used]
    lead = _most_common(m.group() if (m := LEAD.match(line)) else b"" for line in bare)
    start = m.group() if (m := PUNCTUATION.match(lead)) else b""
    prefixes: list[bytes] = list(dict.fromkeys([b"", start, lead]))
    for prefix, checksum in ((p, c) for p in prefixes for c in CHECKSUMS[digits]):
        if PREFIX.fullmatch(prefix) is None or (comment and prefix.startswith(comment)):
            continue
        bodies = [line[len(prefix) :] for line in bare if line.startswith(prefix)]
        if len(bodies) < ENOUGH * len(bare):
            continue
        shapes = (*_plain(bodies), *_labelled(bodies))
        for shape in shapes:
            yield _around(shape, prefix, checksum, comment)


def unreadable_numbers(lines: Sequence[bytes]) -> str:
    """Return why lines that look like numbers cannot be read, in words; empty if they do not look so."""
    for delimiter in (";", "\t", WHITESPACE):
        cells = [c for line in lines for c in _cells(line, delimiter)]
        if cells and sum(DECIMAL_COMMA.fullmatch(c) is not None for c in cells) > 0.5 * len(cells):
            return "the numbers have decimal commas, which no format reads: have the device send points"
    for delimiter in DELIMITERS:
        rows = [_cells(line, delimiter) for line in lines]
        width = _most_common(len(r) for r in rows)
        even = [r for r in rows if len(r) == width]
        if width < 2 or len(even) < ENOUGH * len(rows):
            continue
        odd = [k for k in range(width) if sum(NUMBER.fullmatch(r[k]) is None for r in even) > 0.2 * len(even)]
        if 0 < len(odd) < width:
            shown = even[-1][odd[0]][:20].decode("latin-1")
            return f"cell {odd[0] + 1} is no plain number but such as {shown!a}: have the device leave it out"
    return ""


def _around(shape: Shape, prefix: bytes, checksum: str, comment: bytes) -> Shape:
    options = dict(shape.options)
    reasons = list(shape.reasons)
    if prefix:
        options["prefix"] = prefix.decode("ascii")
        reasons.append(f"every line begins with {options['prefix']!r}")
    if checksum != "none":
        options["checksum"] = checksum
        reasons.append(f"what follows * is {SUM_WORDS[checksum]}")
    if comment != b"#":
        options["comment"] = comment.decode("ascii")
    strength = 1.0 if checksum != "none" else shape.strength
    return Shape("delimited", options, shape.fields, strength, tuple(reasons), shape.doubts)


def _comment(lines: Sequence[bytes]) -> bytes:
    """Return what lines that are not records begin with; nothing if that is how records begin."""
    for mark in COMMENTS:
        begins = sum(line.lstrip(b" \t").startswith(mark) for line in lines)
        if begins > 0.5 * len(lines):
            return b"" if mark == b"#" else b"#"
        if begins and mark != b"#":
            return mark
    return b"#"


def _plain(bodies: Sequence[bytes]) -> Iterator[Shape]:
    ranked = []
    for delimiter in DELIMITERS:
        rows = [_cells(body, delimiter) for body in bodies]
        numeric = [row for row in rows if row and all(NUMBER.fullmatch(c) for c in row) and any(row)]
        if len(numeric) < ENOUGH * len(rows):
            continue
        width = _most_common(len(row) for row in numeric)
        share = sum(len(row) == width for row in numeric) / len(rows)
        ranked.append((round(share, 2), width, delimiter, rows))
    ranked.sort(key=lambda r: (-r[0], -r[1]))
    for _, width, delimiter, rows in ranked[:2]:
        told = _header(rows, width)
        names = unique_names([plain_name(n) for n in told] if told else [f"c{k + 1}" for k in range(width)])
        readable = told is not None and _strict_header(rows, told)
        options: dict[str, object] = {"columns": told if readable else names}
        reasons = [f"{width} number{'s' if width > 1 else ''} a line"]
        if width > 1:
            reasons[0] += f" with {NAMED.get(delimiter, repr(delimiter))} between them"
            if delimiter != ",":
                options["delimiter"] = {"\t": "tab"}.get(delimiter, delimiter)
        if told:
            reasons.append(f"a header line names them {', '.join(told)}")
            if readable:
                options["header"] = True
        labels = told if told and readable else names
        hints = told or [""] * width
        fields = tuple(Field(n, hint) for n, hint in zip(labels, hints, strict=True))
        # A single number a line is what nearly everything could be.
        yield Shape("delimited", options, fields, 0.97 if width > 1 else 0.85, tuple(reasons))


def _header(rows: Sequence[Sequence[bytes]], width: int) -> list[str] | None:
    found = [r for r in rows if len(r) == width and all(c.strip() and not NUMBER.fullmatch(c) for c in r)]
    if not found or len(found) > 0.4 * len(rows):
        return None
    # The last one: the first may have been cut.
    names = [c.strip(b" \t\"'").decode("latin-1") for c in found[-1]]
    return names if all(any(ch.isalpha() for ch in n) for n in names) else None


def _strict_header(rows: Sequence[Sequence[bytes]], told: Sequence[str]) -> bool:
    as_it_is = [r for r in rows if [c.strip(b" \t").decode("latin-1") for c in r] == list(told)]
    good = all(NAME.fullmatch(n.encode("latin-1")) and n.lower() not in {"nan", "inf"} for n in told)
    return bool(as_it_is) and good and len(set(told)) == len(told)


def _labelled(bodies: Sequence[bytes]) -> Iterator[Shape]:
    for separator, delimiter in product((":", "="), (",", ";", "\t", WHITESPACE, "|", "&")):
        rows = [
            [c.partition(separator.encode()) for c in _cells(b, delimiter) if c.strip(b" \t")] for b in bodies
        ]
        labelled = [r for r in rows if r and all(sign and NAME.fullmatch(label) for label, sign, _ in r)]
        if len(labelled) < ENOUGH * len(rows):
            continue
        seen = Counter(label.strip(b" \t") for r in labelled for label, _, _ in r)
        numeric = Counter(
            label.strip(b" \t")
            for r in labelled
            for label, _, v in r
            if v.strip(b" \t") and NUMBER.fullmatch(v)
        )
        names = [n for n in seen if numeric[n] > 0.8 * seen[n] and seen[n] > 0.05 * len(rows)]
        if not names:
            continue
        columns = [n.decode("ascii") for n in names]
        options: dict[str, object] = {"columns": columns, "label_value": True}
        if delimiter != ",":
            options["delimiter"] = {"\t": "tab"}.get(delimiter, delimiter)
        if separator != ":":
            options["separator"] = separator
        reasons = [f"cells such as {columns[0]}{separator}12.5, {', '.join(columns)}"]
        yield Shape("delimited", options, tuple(Field(c, c) for c in columns), 1.0, tuple(reasons))


def _cells(body: bytes, delimiter: str) -> list[bytes]:
    if delimiter == WHITESPACE:
        return body.split()
    return body.split(delimiter.encode())


def _most_common(values: Iterable[T]) -> T:
    return Counter(values).most_common(1)[0][0]
