"""What the readings of a rotation say about the rig: disturbances with their size, and the worst of what was left out."""

from collections.abc import Sequence
from functools import lru_cache

from textual.content import Content

from livealign.snapshot import Diagnosis, GrossReading
from livealign_tui.block import Cell, line, row
from livealign_tui.words import Units, ago, length, printable, small, wrap

__all__ = ["diagnosis_lines", "gross_lines", "size_words"]

_GROSS_COLUMNS = (16, 20, 14, 11, 0)
_PLACES = {"out of range ahead"}
"""Diagnoses whose size is an angle at which something is going to happen."""


def size_words(diagnosis: Diagnosis, units: Units) -> str:
    """Return how large a disturbance is, in the person's unit."""
    size = abs(diagnosis.size)
    if diagnosis.unit == "mm":
        return f"{small(size * units.per_mm, units.decimals)} {units.length}"
    if diagnosis.unit:
        said = f"{size:.3g} {diagnosis.unit}"
        return f"at {said}" if diagnosis.name in _PLACES else said
    # Of numbers without a unit, shares are at most one, and ratios above it.
    return f"{100 * size:.0f} %" if size <= 1 else f"{size:.1f} times"


@lru_cache(maxsize=16)
def diagnosis_lines(
    diagnoses: tuple[Diagnosis, ...], units: Units, width: int, rows: int
) -> tuple[Content, ...]:
    """Return the disturbances on at most `rows` lines: with cause and remedy, or as much of it as there is room for."""
    if not diagnoses or rows < 1:
        return ()
    room = width - 2
    heads = [f"{d.name} {size_words(d, units)}, {d.where}" for d in diagnoses]
    pairs = list(zip(heads, diagnoses, strict=True))
    whole = [
        said
        for head, d in pairs
        for said in (
            *_headed(head, d.cause, room),
            *_indented(f"remedy: {d.remedy}", room),
        )
    ]
    if len(whole) <= rows:
        return tuple(whole)
    short = [said for head, d in pairs for said in _headed(head, d.remedy, room)]
    if len(short) <= rows:
        return tuple(short)
    return tuple(line(" ", (part, "bold")) for part in wrap("; ".join(heads), room, rows=rows))


def _headed(head: str, text: str, room: int) -> list[Content]:
    """Return head and text on lines, the head in bold wherever the lines break."""
    head = printable(head)
    bold = len(head)
    made = []
    for part in wrap(f"{head}: {text}", room, indent="  "):
        made.append(line(" ", (part[: max(bold, 0)], "bold"), part[max(bold, 0) :]))
        # The break took a space, the next line begins with two.
        bold -= len(part) + 1
        bold += 2 if bold > 0 else 0
    return made


def _indented(text: str, room: int) -> list[Content]:
    return [line("   ", part) for part in wrap(text, room - 2)]


def gross_lines(gross: Sequence[GrossReading], now_s: float, units: Units, rows: int) -> list[Content]:
    """Return the largest gross errors, one a line."""
    made = []
    for i, reading in enumerate(gross[: max(rows, 0)]):
        cells: list[Cell] = [
            ("largest left out" if i == 0 else "", "$not-conforming"),
            printable(reading.channel),
            f"{length(reading.size_mm, units)} off",
            f"at {reading.angle_deg:.0f} deg",
            ago(now_s - reading.time_s),
        ]
        made.append(line(" ", row(cells, _GROSS_COLUMNS)))
    return made
