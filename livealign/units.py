"""Units at the edges: inside, everything is in metres and radians."""

import math
from typing import Final, Literal, TypeAlias

__all__ = [
    "METRES",
    "RADIANS",
    "Units",
    "distance_words",
    "length_unit_m",
    "length_words",
    "rounded_up",
    "show_distance",
    "show_length",
    "show_measured",
    "show_slope",
    "shown",
]

Units: TypeAlias = Literal["mm", "inch"]
"""What a person reads and writes: mm and mm/m, or inches, mils and mil/in."""

METRES: Final = {"m": 1.0, "mm": 1e-3, "um": 1e-6, "in": 0.0254, "mil": 0.0254e-3}
"""Metres in one of each unit of length."""

RADIANS: Final = {"rad": 1.0, "deg": math.pi / 180}
"""Radians in one of each unit of angle."""

NOT_KNOWN = "not known"


def length_unit_m(units: Units) -> float:
    """Return the metres in one unit of a job file's lengths (mm or inch)."""
    return METRES["mm" if units == "mm" else "in"]


def show_length(mm: float | None, units: Units, *, signed: bool = False) -> str:
    """Return a move, an offset or a gap in words: "0.45 mm" or "17.7 mil"; None is "not known"."""
    if units == "mm":
        return _words(mm, 2, "mm", signed=signed)
    return _words(None if mm is None else mm * METRES["mm"] / METRES["mil"], 1, "mil", signed=signed)


def show_measured(mm: float | None, units: Units, *, signed: bool = False) -> str:
    """Return what was measured, finer than a shim: "0.451 mm" or "17.76 mil"; None is "not known"."""
    if units == "mm":
        return _words(mm, 3, "mm", signed=signed)
    return _words(None if mm is None else mm * METRES["mm"] / METRES["mil"], 2, "mil", signed=signed)


def length_words(m: float | None, units: Units, *, signed: bool = False) -> str:
    """Return the same as `show_length` for a length in metres."""
    return show_length(None if m is None else m * 1e3, units, signed=signed)


def show_slope(mm_per_m: float | None, units: Units, *, signed: bool = False) -> str:
    """Return a slope in words, "0.18 mm/m" or "0.18 mil/in": the number is the same in both."""
    return _words(mm_per_m, 2, "mm/m" if units == "mm" else "mil/in", signed=signed)


def show_distance(mm: float | None, units: Units, *, signed: bool = False) -> str:
    """Return a tape measurement in words: "330.0 mm" or "12.99 in"; None is "not known"."""
    if units == "mm":
        return _words(mm, 1, "mm", signed=signed)
    return _words(None if mm is None else mm * METRES["mm"] / METRES["in"], 2, "in", signed=signed)


def distance_words(m: float | None, units: Units, *, signed: bool = False) -> str:
    """Return the same as `show_distance` for a distance in metres."""
    return show_distance(None if m is None else m * 1e3, units, signed=signed)


def rounded_up(value: float, decimals: int) -> float:
    """Return an uncertainty (>= 0) rounded up, so that it never reads as none (JCGM 100, 7.2.6)."""
    step = 10.0**decimals
    return math.ceil(round(value * step, 6)) / step


def shown(value: float, decimals: int, *, signed: bool = False) -> str:
    """Return a number with so many decimals; what rounds to nothing has no sign."""
    text = f"{value:+.{decimals}f}" if signed else f"{value:.{decimals}f}"
    return text.lstrip("+-") if float(text) == 0 else text


def _words(value: float | None, decimals: int, unit: str, *, signed: bool) -> str:
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    return f"{shown(value, decimals, signed=signed)} {unit}"
