"""Whether flanges or bolts leave the shaft where it is while they are tightened."""

from collections.abc import Mapping

from livealign.snapshot import BoltUpVerdict, Plane
from livealign.units import Units, rounded_up, show_length

__all__ = ["LIMIT_MM", "SOURCE", "judge", "verdict_words"]

LIMIT_MM = 0.05
SOURCE = (
    "API RP 686, from a secondary source: the shaft moves at most 0.05 mm (2 mil) while flanges are tightened"
)
_CALLED: dict[Plane, str] = {"vertical": "up and down", "horizontal": "sideways"}
_PARK: dict[Plane, str] = {"vertical": "12 or 6 o'clock", "horizontal": "3 or 9 o'clock"}

Largest = Mapping[Plane, tuple[float, float]]
"""Largest movement since the beginning in each plane that was seen, mm with its standard uncertainty."""


def judge(largest: Largest) -> BoltUpVerdict:
    """Return what the largest movements say, with U = 2u.

    Beyond as soon as one plane surely is; inside only if both planes were seen and surely are.
    """
    if not largest:
        return "not known"
    if any(abs(mm) - 2.0 * u > LIMIT_MM for mm, u in largest.values()):
        return "beyond"
    inside = all(abs(mm) + 2.0 * u <= LIMIT_MM for mm, u in largest.values())
    return "inside" if inside and len(largest) == len(_CALLED) else "undecided"


def verdict_words(largest: Largest, units: Units) -> str:
    """Say how far the shaft has moved, in which plane, and what was not seen."""
    moved = ", ".join(f"{_CALLED[plane]} {_size(mm, u, units)}" for plane, (mm, u) in largest.items())
    unseen: list[Plane] = [p for p in _CALLED if largest.get(p) is None]
    words = {
        "not known": "nothing is seen from here",
        "inside": f"the shaft stays where it is: at most {moved}",
        "beyond": f"the shaft is pulled away: {moved}; loosen, mend the fit of the pipe, and begin anew",
        "undecided": f"at most {moved}",
    }[judge(largest)]
    if unseen and len(unseen) < len(_CALLED):
        words += f"; {_CALLED[unseen[0]]} is not seen from here: do it once more parked at {_PARK[unseen[0]]}"
    elif unseen:
        words += f": park at {_PARK['vertical']} for up and down, at {_PARK['horizontal']} for sideways"
    return words


def _size(mm: float, u_mm: float, units: Units) -> str:
    size, decimals = (0.0254, 1) if units == "inch" else (1.0, 2)
    spread = rounded_up(2.0 * u_mm / size, decimals)
    return f"{show_length(mm, units, signed=True)} +- {spread:.{decimals}f}"
