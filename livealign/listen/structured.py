"""Lines that explain themselves: JSON objects, SenML packs, checksummed sentences."""

import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from livealign.listen.guess import Field, Shape
from livealign.listen.names import plain_name, unique_names

__all__ = ["json_shapes", "senml_shapes", "sentence_shapes"]

DEEPEST = 6
MOST_FIELDS = 200
SENTENCE = re.compile(rb"\$([A-Z][0-9A-Z]{2,15}),([^*$]*)(?:\*([0-9A-Fa-f]{2}))?[ \t]*")
NUMBER = re.compile(rb"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
ABSOLUTE_S = 2.0**28
"""Times of SenML from here on count from 1970 (RFC 8428, section 4.5.3)."""
SENML_UNITS = {
    "rad": "rad",
    "deg": "deg",
    "m": "m",
    "mm": "mm",
    "um": "um",
    "Cel": "Cel",
    "V": "V",
    "mV": "mV",
    "%EL": "%",
}
XDR_UNITS = {b"D": "deg", b"M": "m", b"C": "Cel", b"V": "V"}
"""Units of transducers in NMEA 0183 sentences, from memory: degrees, metres, Celsius, volts."""
ENOUGH = 0.6


def json_shapes(lines: Sequence[bytes]) -> Iterator[Shape]:
    """Yield how lines of JSON objects could be read."""
    objects = [o for line in lines if isinstance(o := _parsed(line), dict)]
    if not objects or len(objects) < ENOUGH * len(lines):
        return
    seen = Counter(path for o in objects for path in _numbers(o))
    paths = [p for p, n in seen.items() if n > 0.05 * len(objects)]
    # What is a number now and holds others then cannot be both.
    paths = [p for p in paths if not any(q[: len(p)] == p and q != p for q in paths)][:MOST_FIELDS]
    if not paths:
        return
    leaves = Counter(p[-1] for p in paths)
    # A sum of light called `light.sum` may be called by both; `head.angle` needs no more than its last key.
    names = unique_names(plain_name(p[-1] if leaves[p[-1]] == 1 else "_".join(p)) for p in paths)
    dotted = [".".join(p) for p in paths]
    fields: Any = list(dotted) if names == dotted else dict(zip(names, dotted, strict=True))
    reasons = ["a JSON object a line", f"numbers in it: {', '.join(dotted)}"]
    found = tuple(Field(n, d.replace(".", " ")) for n, d in zip(names, dotted, strict=True))
    yield Shape("json-lines", {"fields": fields}, found, 1.0, tuple(reasons))


def _numbers(value: dict[str, Any], path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for key, inner in value.items():
        here = (*path, key)
        if not key or "." in key:
            continue
        if isinstance(inner, dict) and len(here) < DEEPEST:
            yield from _numbers(inner, here)
        elif isinstance(inner, int | float) and not isinstance(inner, bool):
            yield here


def senml_shapes(lines: Sequence[bytes]) -> Iterator[Shape]:
    """Yield how lines of SenML packs could be read."""
    packs = [p for line in lines if _is_pack(p := _parsed(line))]
    if not packs or len(packs) < ENOUGH * len(lines):
        return
    seen: Counter[tuple[str, str | None]] = Counter()
    times: list[float] = []
    for pack in packs:
        base: dict[str, Any] = {}
        for record in pack:
            base.update({k: record[k] for k in ("bn", "bu", "bt") if k in record})
            name, unit = f"{base.get('bn', '')}{record.get('n', '')}", record.get("u", base.get("bu"))
            if "v" in record and name and (unit is None or isinstance(unit, str)):
                seen[name, unit] += 1
            if any(isinstance(r.get(k), int | float) for r in (base, record) for k in ("bt", "t")):
                times.append(_float(base.get("bt", 0)) + _float(record.get("t", 0)))
    if not seen:
        return
    measured = list(seen)[:MOST_FIELDS]
    alike = Counter(name for name, _ in measured)
    names = unique_names(plain_name(re.split(r"[:/]", name.rstrip(":/"))[-1]) for name, _ in measured)
    options: dict[str, Any] = {
        field: name if alike[name] == 1 else {"name": name, **({} if unit is None else {"unit": unit})}
        for field, (name, unit) in zip(names, measured, strict=True)
    }
    fields = [
        Field(field, name, SENML_UNITS.get(unit or "", ""))
        for field, (name, unit) in zip(names, measured, strict=True)
    ]
    reasons = ["a SenML pack a line", f"values: {', '.join(name for name, _ in measured)}"]
    if times:
        absolute = sum(t >= ABSOLUTE_S for t in times) > 0.5 * len(times)
        (field,) = unique_names([*names, "time"])[-1:]
        options[field] = {"time": "absolute" if absolute else "relative"}
        fields.append(Field(field, "time", "s"))
        reasons.append(f"with the time in s, {'since 1970' if absolute else 'of the device'}")
    yield Shape("senml", {"fields": options}, tuple(fields), 1.0, tuple(reasons))


def sentence_shapes(lines: Sequence[bytes]) -> Iterator[Shape]:
    """Yield how checksummed sentences could be read."""
    found = [m for line in lines if (m := SENTENCE.fullmatch(line, max(line.rfind(b"$"), 0)))]
    if not found or len(found) < ENOUGH * len(lines):
        return
    places: Counter[tuple[str, str]] = Counter()
    units: dict[tuple[str, str], str] = {}
    for m in found:
        address, cells = m[1].decode(), m[2].split(b",")
        # Two letters of the talker, three of the sentence; P begins a maker's own.
        short = address[2:] if len(address) == 5 and not address.startswith("P") else address
        if short == "XDR":
            for k in range(0, len(cells) - 3, 4):
                place = (short, cells[k + 3].decode("latin-1"))
                if place[1] and NUMBER.fullmatch(cells[k + 1]):
                    places[place] += 1
                    units[place] = XDR_UNITS.get(cells[k + 2], "")
        else:
            for k, cell in enumerate(cells, 1):
                places[short, str(k)] += NUMBER.fullmatch(cell.strip()) is not None
    kept = [p for p, n in places.items() if n > 0.05 * len(found)][:MOST_FIELDS]
    if not kept:
        return
    names = unique_names(plain_name((w if a == "XDR" else f"{a}_{w}").lower()) for a, w in kept)
    fields = tuple(
        Field(n, p[1] if p[0] == "XDR" else "", units.get(p, "")) for n, p in zip(names, kept, strict=True)
    )
    options: dict[str, Any] = {"fields": {n: ".".join(p) for n, p in zip(names, kept, strict=True)}}
    bare = sum(m[3] is None for m in found)
    if bare:
        options["checksum"] = "optional"
    kinds = sorted({a for a, _ in kept})
    reasons = [f"sentences {', '.join(kinds)} that begin with $"]
    reasons.append("some have no checksum" if bare else "what follows * is the XOR of the bytes before")
    yield Shape("sentence", options, fields, 0.9 if bare else 1.0, tuple(reasons))


def _parsed(line: bytes) -> Any:
    if line.lstrip()[:1] not in (b"{", b"["):
        return None
    try:
        return json.loads(line)
    except (ValueError, RecursionError):
        return None


def _is_pack(value: Any) -> bool:
    return (
        isinstance(value, list)
        and bool(value)
        and all(isinstance(r, dict) and {"n", "bn", "bt", "v", "bv"}.intersection(r) for r in value)
    )


def _float(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError, OverflowError):
        return 0.0
