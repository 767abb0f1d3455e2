"""Which format explains what was heard."""

from collections.abc import Iterator, Sequence

from livealign.errors import PersonError
from livealign.listen.delimited import delimited_shapes, unreadable_numbers
from livealign.listen.guess import FormatGuess, Shape
from livealign.listen.heard import Heard, decoded
from livealign.listen.packed import packed_shapes
from livealign.listen.structured import json_shapes, senml_shapes, sentence_shapes

__all__ = ["guess_formats", "lines_of", "why_unreadable"]

LOOKED_AT = 65536
"""Bytes from which shapes are guessed; all that was heard is then read by them."""
MOST_LINES = 150
LONGEST_LINE = 16384
TEXT = 0.7
"""Share of printable bytes from which text is looked for; a bad cable damages some."""
GOOD = 0.5
"""Share of the records below which a format explains nothing."""
LIKELY = 0.6
PREFERRED = ("senml", "json-lines", "sentence", "delimited", "binary")
"""The more a format says about itself, the less it can be taken by chance."""


def guess_formats(heard: Heard) -> list[FormatGuess]:
    """Return the formats that explain what was heard, the likeliest first; bytes of any kind may be given."""
    added = heard.lacks_line_ends and heard.printable > TEXT
    told = heard.with_line_ends() if added else heard
    found = [g for shape in _shapes(heard, told) if (g := _tried(shape, told if added else heard, added))]
    found.sort(key=lambda g: (-round(g.confidence, 2), PREFERRED.index(g.shape.kind), -len(g.shape.fields)))
    best = found[:1]
    # Two ways of reading that differ in nothing but names are no doubt.
    best += [g for g in found[1:] if g.shape.kind != best[0].shape.kind]
    return best


def lines_of(heard: Heard) -> list[bytes]:
    """Return the newest whole lines that are not empty, without their ends."""
    newest = heard.newest(LOOKED_AT)
    whole = newest.data[-LOOKED_AT:].split(b"\n")
    first = 0 if newest.from_start and len(newest.data) <= LOOKED_AT else 1
    cut = whole[first:-1] if len(whole) > 3 else whole[:-1]
    lines = [line.strip(b" \t\r") for line in cut]
    kept = [line for line in lines if line and len(line) <= LONGEST_LINE]
    # A header may stand at the beginning only.
    return kept[: MOST_LINES // 2] + kept[MOST_LINES // 2 :][-MOST_LINES // 2 :]


def why_unreadable(heard: Heard) -> str:
    """Return why nothing explains what was heard, in words for the person."""
    if not heard.pieces:
        return (
            "nothing came: is it on and connected? A head that only answers when it is asked needs `request`, "
            "see the page about the rig file"
        )
    size = len(heard.data)
    if size < 40:
        return f"only {size} bytes came, too few to tell"
    if heard.printable < TEXT:
        return (
            "it is no text, and no record that comes again can be made out: a wrong baud rate looks like this, and so do "
            "binary records of different lengths"
        )
    lines = lines_of(heard.with_line_ends() if heard.lacks_line_ends else heard)
    if not lines:
        return "it is text without line ends"
    return unreadable_numbers(lines) or "it is text, but not numbers in an order that any format reads"


def _shapes(heard: Heard, told: Heard) -> Iterator[Shape]:
    if heard.printable > TEXT and (lines := lines_of(told)):
        yield from _text_shapes(lines)
    if heard.printable < 0.97:
        yield from packed_shapes(heard)


def _text_shapes(lines: Sequence[bytes]) -> Iterator[Shape]:
    yield from json_shapes(lines)
    yield from senml_shapes(lines)
    yield from sentence_shapes(lines)
    yield from delimited_shapes(lines)


def _tried(shape: Shape, heard: Heard, added: bool) -> FormatGuess | None:
    try:
        found = decoded(shape.kind, shape.options, heard)
    except (ValueError, PersonError):  # options that do not go together, or a format that is not installed
        return None
    if not heard.from_start and not heard.messages and found.count > 2:
        found = found.without_first()
    if found.count < 2 or found.share < GOOD:
        return None
    # One record more makes many hardly surer.
    confidence = found.share * shape.strength * found.count / (found.count + 1.0)
    doubts = list(shape.doubts)
    if found.bad:
        doubts.append(
            f"{found.bad} of {found.count + found.bad} records cannot be read, the last: {found.last_bad}"
        )
    if confidence < LIKELY:
        doubts.append("this is not sure")
    records = f"{found.count} of {found.count + found.bad} records are read"
    ready = Shape(shape.kind, shape.options, shape.fields, shape.strength, shape.reasons, shape.doubts, added)
    return FormatGuess(ready, found, confidence, (*shape.reasons, records), tuple(doubts))
