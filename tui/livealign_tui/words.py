"""How numbers, signs and states are said on the screen. What is not known is said, never shown as zero."""

import math
import textwrap
from dataclasses import dataclass
from typing import Literal

from livealign.snapshot import Plane, PlanePose, Settling, Snapshot, Verdict

__all__ = [
    "NOT_KNOWN",
    "Units",
    "ago",
    "expanded",
    "gap_words",
    "heading_words",
    "length",
    "length_with_u",
    "links_words",
    "machine_words",
    "number",
    "offset_words",
    "parked_words",
    "percent",
    "phase_words",
    "plane_words",
    "plus_minus",
    "printable",
    "rounded_up",
    "slope_with_u",
    "small",
    "units_of",
    "verdict_words",
    "wrap",
]

NOT_KNOWN = "not known"
_COVERAGE = 2.0
_PLANE_WORDS: dict[Plane, str] = {"vertical": "up and down", "horizontal": "sideways"}


@dataclass(frozen=True, slots=True)
class Units:
    """What the person wants to read; 1 mm/m is 1 mil/in, so slopes keep their number."""

    length: str
    slope: str
    per_mm: float
    decimals: int
    """Decimals of an offset; a move at a foot is shown with the same."""


_UNITS = {
    "mm": Units(length="mm", slope="mm/m", per_mm=1.0, decimals=3),
    "inch": Units(length="mil", slope="mil/in", per_mm=1 / 0.0254, decimals=1),
}


def units_of(choice: Literal["mm", "inch"]) -> Units:
    """Return the units that belong to a snapshot's choice."""
    return _UNITS[choice]


def expanded(u: float | None) -> float | None:
    """Return U (95 %), twice the standard uncertainty."""
    return None if u is None else _COVERAGE * u


def number(value: float | None, decimals: int, *, sign: bool = True) -> str:
    """Return the number in words' company: signed, never minus zero, "not known" for None."""
    if value is None:
        return NOT_KNOWN
    text = f"{abs(value):.{decimals}f}"
    if not sign or float(text) == 0:
        return text if value >= 0 or float(text) == 0 else f"-{text}"
    return f"{'-' if value < 0 else '+'}{text}"


def _with_u(value: float | None, u: float | None, decimals: int, unit: str) -> str:
    if value is None:
        return NOT_KNOWN
    spread = expanded(u)
    if spread is None:
        return f"{number(value, decimals)} {unit}, U not known"
    return f"{number(value, decimals)} ± {rounded_up(spread, decimals)} {unit}"


def rounded_up(spread: float, decimals: int) -> str:
    """Return an uncertainty that is never shown smaller than it is, least of all as none."""
    step = 10.0**-decimals
    return f"{math.ceil(spread / step - 1e-9) * step:.{decimals}f}"


def small(value: float, decimals: int) -> str:
    """Return an amount without its sign, with a decimal more where it would have one figure left, or none."""
    return f"{abs(value):.{decimals + (abs(value) < 10.0 ** (1 - decimals))}f}"


def plus_minus(u_mm: float | None, units: Units) -> str:
    """Return the expanded uncertainty alone, without its unit, from the standard one."""
    spread = expanded(u_mm)
    return "U not known" if spread is None else f"± {rounded_up(spread * units.per_mm, units.decimals)}"


def length(value_mm: float | None, units: Units, *, sign: bool = True) -> str:
    """Return a length in the person's unit."""
    if value_mm is None:
        return NOT_KNOWN
    return f"{number(value_mm * units.per_mm, units.decimals, sign=sign)} {units.length}"


def length_with_u(value_mm: float | None, u_mm: float | None, units: Units) -> str:
    """Return a length with its expanded uncertainty, from the standard one."""
    if value_mm is None:
        return NOT_KNOWN
    scaled_u = None if u_mm is None else u_mm * units.per_mm
    return _with_u(value_mm * units.per_mm, scaled_u, units.decimals, units.length)


def slope_with_u(value_mm_per_m: float | None, u_mm_per_m: float | None, units: Units) -> str:
    """Return a slope with its expanded uncertainty, from the standard one."""
    return _with_u(value_mm_per_m, u_mm_per_m, 2, units.slope)


def percent(share: float | None) -> str:
    """Return a probability so that it never reads as certain."""
    if share is None:
        return NOT_KNOWN
    if share > 0.999:
        return "over 99.9 %"
    if share < 0.001:
        return "under 0.1 %"
    return f"{100 * share:.1f} %" if share > 0.99 or share < 0.01 else f"{100 * share:.0f} %"


def plane_words(plane: Plane) -> str:
    """Return the plane as one says it."""
    return _PLANE_WORDS[plane]


def _within(value: float, u: float | None) -> bool:
    spread = expanded(u)
    return spread is not None and abs(value) <= spread


def offset_words(plane: Plane, pose: PlanePose) -> str:
    """Return which way the movable shaft lies at the coupling."""
    value = pose.offset_mm
    if value is None:
        return NOT_KNOWN
    if value == 0 or _within(value, pose.offset_u_mm):
        return "no offset seen"
    if plane == "vertical":
        return "movable shaft high" if value > 0 else "movable shaft low"
    return "toward 3 o'clock" if value > 0 else "toward 9 o'clock"


def gap_words(plane: Plane, pose: PlanePose) -> str:
    """Return where the coupling gap is wider; a rising movable axis opens it at the bottom."""
    value = pose.slope_mm_per_m
    if value is None:
        return NOT_KNOWN
    if value == 0 or _within(value, pose.slope_u_mm_per_m):
        return "no angle seen"
    if plane == "vertical":
        return "gap opens at the bottom" if value > 0 else "gap opens at the top"
    return "gap opens at the left" if value > 0 else "gap opens at the right"


def verdict_words(verdict: Verdict) -> str:
    """Return the verdict with the probability behind it."""
    if verdict.state == "not known":
        return "verdict not known"
    if verdict.probability is None:
        return verdict.state
    return f"{verdict.state}: {percent(verdict.probability)} likely to conform"


def machine_words(state: str, settling: Settling) -> str:
    """Return how still the machine is, and how long it may still take."""
    if state == "unknown":
        return "movement not known"
    if state == "settling":
        left = settling.seconds_left
        return "settling" if left is None else f"settling, about {math.ceil(left)} s to go"
    if state == "settled":
        return f"settled, still for {settling.still_s:.0f} s"
    return state


def heading_words(
    final_mm: float | None, slope_mm_per_m: float | None, settling: Settling, units: Units
) -> str:
    """Return where a value, and a slope, are heading and how long it may take; nothing when nobody knows."""
    if final_mm is None:
        return ""
    said = f"heading for {length(final_mm, units)}"
    if slope_mm_per_m is not None:
        said = f"{said} and {number(slope_mm_per_m, 2)} {units.slope}"
    left = settling.seconds_left
    return said if left is None else f"{said}, settled in about {math.ceil(left)} s"


def parked_words(settling: Settling) -> str:
    """Return where the shafts stand, and what that is good for."""
    if settling.parked_deg is None:
        return "parked angle not known"
    return printable(settling.parked_words) or f"parked at {settling.parked_deg:.0f} deg"


def phase_words(snapshot: Snapshot) -> str:
    """Return what is being done."""
    words = {"ready": "Ready", "rotation": "Rotation", "findings": "Findings", "adjust": "Adjust"}[
        snapshot.phase
    ]
    if snapshot.phase == "adjust":
        words = f"{words}: {plane_words(snapshot.plane)}"
    return f"{words}, reading paused" if snapshot.hold else words


def links_words(snapshot: Snapshot) -> str:
    """Return how many links bring data, and how fast the slowest of them is."""
    links = snapshot.links
    if not links:
        return "no links"
    up = [link for link in links if link.state == "open"]
    noun = "link" if len(links) == 1 else "links"
    count = f"{len(links)} {noun}" if len(up) == len(links) else f"{len(up)} of {len(links)} {noun}"
    rates = [link.rate_hz for link in up if link.rate_hz is not None]
    return f"{count} {min(rates):.0f} Hz" if rates else count


def ago(seconds: float) -> str:
    """Return how long ago something was."""
    past = max(seconds, 0.0)
    return f"{past:.0f} s ago" if past < 120 else f"{math.floor(past / 60)} min ago"


def printable(text: str) -> str:
    """Return text from outside on one line, without anything a terminal would act on."""
    return "".join(c if c.isprintable() else " " if c.isspace() else "?" for c in text)


def wrap(text: str, width: int, *, indent: str = "", rows: int = 0) -> list[str]:
    """Return the text on lines of at most `width`, and at most `rows` of them unless that is 0.

    Lines after the first begin with `indent`.
    """
    return textwrap.wrap(
        printable(text),
        max(width, 20),
        subsequent_indent=indent,
        max_lines=rows or None,
        placeholder=" ...",
    )
