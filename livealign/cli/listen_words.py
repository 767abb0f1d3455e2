"""What `livealign listen` says."""

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import click

from livealign.cli.listen_live import Found
from livealign.config.problems import printable
from livealign.listen.rig_text import HeadGuess

__all__ = ["found_lines", "found_values", "list_lines", "print_json"]

SURE = 0.7


def list_lines(
    found: Mapping[str, Sequence[Mapping[str, Any]]], *, asked_ble: bool, mqtt: str | None
) -> Iterator[str]:
    """Yield what there is to listen to, a line at a time."""
    yield "Serial ports:"
    for p in found["serial"]:
        yield printable(f"  {p['port']}  {p['description']}  {p['hardware']}".rstrip())
    if not found["serial"]:
        yield "  none: plug a head in; a port that is made by a program is not listed but can be named"
    if "ble" in found:
        yield "Bluetooth LE devices:"
        for d in found["ble"]:
            yield printable(f"  {d['address']}  {d['name'] or '(no name)'}  {d['dbm']} dBm")
        if not found["ble"]:
            yield "  none heard: are they on, near, and not connected to something else?"
    elif not asked_ble:
        yield "Bluetooth LE devices: add --ble"
    if "mqtt" in found:
        yield f"Topics at {mqtt}:"
        for t in found["mqtt"]:
            yield printable(f"  {t['topic']}  {t['messages']} messages, such as {t['sample']}")
        if not found["mqtt"]:
            yield "  nothing was published meanwhile: add --seconds 20"
    elif mqtt is None:
        yield "Topics of an MQTT broker: add --mqtt HOST"
    yield "Listen to one with: livealign listen SOURCE"


def found_lines(found: Found) -> Iterator[tuple[str, str | None]]:
    """Yield what was found, a line at a time with its colour."""
    for source, why in found.unreadable:
        yield f"{source}: {why}", "red"
    for head in found.heads:
        guess = head.format
        yield f"{head.source}: {guess.shape.kind}, confidence {guess.confidence:.2f}", "green"
        yield f"  {'; '.join(guess.reasons)}", None
        for doubt in guess.doubts:
            yield printable(f"  doubt: {doubt}"), "magenta"
        for c in head.columns:
            unit = f" in {c.unit}" if c.unit else ""
            sure = "" if c.confidence >= SURE else ", not sure"
            yield (
                printable(f"  {c.name}: {c.role}{unit} ({c.confidence:.2f}{sure}): {'; '.join(c.reasons)}"),
                None,
            )
            for doubt in c.doubts:
                yield printable(f"    doubt: {doubt}"), "magenta"


def found_values(found: Found, text: str | None, problem: str, written: str | None) -> dict[str, Any]:
    """Return the same as plain values, for JSON."""
    return {
        "found": [_head_values(h) for h in found.heads],
        "unreadable": [{"source": s, "why": why} for s, why in found.unreadable],
        "rig": text,
        "problem": problem or None,
        "written": written,
    }


def _head_values(head: HeadGuess) -> dict[str, Any]:
    guess = head.format
    return {
        "source": head.source,
        "shaft": head.shaft,
        "driver": dict(head.driver),
        "format": {"kind": guess.shape.kind, **guess.shape.options},
        "confidence": round(guess.confidence, 3),
        "reasons": list(guess.reasons),
        "doubts": list(guess.doubts),
        "records": guess.decoded.count,
        "bad": guess.decoded.bad,
        "rate_hz": head.rate_hz,
        "columns": [
            {
                "field": c.name,
                "role": c.role,
                "unit": c.unit or None,
                "confidence": c.confidence,
                "reasons": list(c.reasons),
                "doubts": list(c.doubts),
                "least": None if c.behaviour is None else float(c.behaviour.values.min()),
                "greatest": None if c.behaviour is None else float(c.behaviour.values.max()),
                "last": None if c.behaviour is None else float(c.behaviour.values[-1]),
            }
            for c in head.columns
        ],
    }


def print_json(values: Mapping[str, Any]) -> None:
    """Print one JSON object."""
    click.echo(json.dumps(values, ensure_ascii=False, allow_nan=False, indent=2))
