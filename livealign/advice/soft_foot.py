"""Which kind of soft foot it is, and what to do about it.

The rules, in this order; "soft" is a rise, or a gap, above the limit.

* angular: a feeler gauge finds gaps at the foot's corners that differ by more than half the limit.
* induced: the foot goes down when its bolt is loosened; or another foot of its plane or side is soft as well and the one
  across the diagonal is not. On four feet a short foot can only show on a diagonal (only so do the forces that bend the
  frame balance), so the force comes from elsewhere: piping, the coupling, a bent base.
* springy: it rises, but no gauge goes in: dirt, burrs, bent or too many shims, which the bolt squeezes.
* parallel: the gaps at its corners are alike.
* soft: nobody has measured with a gauge yet.
"""

from collections.abc import Sequence
from dataclasses import replace

from livealign.advice.words import vertical_move
from livealign.snapshot import SoftFootKind, SoftFootState
from livealign.units import Units, show_length

__all__ = ["CORNERS", "LIMIT_MM", "SOURCE", "foot_name", "judged"]

LIMIT_MM = 0.05
SOURCE = "2 mil (50 um): R. B. McMillan, Rotating Machinery (2004), pp. 112-113"
CORNERS = ("inner near", "inner far", "outer near", "outer far")
_FEET = 4
_SHARE = 0.5
"""Of the limit by which corners may differ and still be alike (no source)."""


def foot_name(plane: str, side: str) -> str:
    """Return what a foot is called."""
    return f"{plane}, {side}"


def judged(feet: Sequence[SoftFootState], units: Units) -> tuple[SoftFootState, ...]:
    """Return the feet with their kind, what to shim, and what to do in words."""
    return tuple(_judged(f, feet, units) for f in feet)


def _judged(foot: SoftFootState, feet: Sequence[SoftFootState], units: Units) -> SoftFootState:
    kind = _kind(foot, feet)
    shim = _shim_mm(foot, kind)
    return replace(foot, kind=kind, shim_mm=shim, words=_words(foot, kind, shim, feet, units))


def _kind(foot: SoftFootState, feet: Sequence[SoftFootState]) -> SoftFootKind:
    if foot.rise_mm is None and not foot.gaps_mm:
        return "not known"
    gaps = foot.gaps_mm
    if gaps and max(gaps) - min(gaps) > _SHARE * LIMIT_MM and max(gaps) > LIMIT_MM:
        return "angular"
    if foot.rise_mm is not None and foot.rise_mm < -LIMIT_MM - 2.0 * (foot.rise_u_mm or 0.0):
        return "induced"
    if not _soft(foot):
        return "none"
    if _beside(foot, feet) and not _across(foot, feet):
        return "induced"
    if not gaps:
        return "soft"
    return "parallel" if max(gaps) > LIMIT_MM else "springy"


def _soft(foot: SoftFootState) -> bool:
    return max([foot.rise_mm or 0.0, *foot.gaps_mm]) > LIMIT_MM


def _beside(foot: SoftFootState, feet: Sequence[SoftFootState]) -> bool:
    """Is another foot of the plane or of the side soft, on a frame of four feet?"""
    others = [f for f in feet if (f.plane == foot.plane) != (f.side == foot.side)]
    return len(feet) == _FEET and any(_rises(f) for f in others)


def _across(foot: SoftFootState, feet: Sequence[SoftFootState]) -> SoftFootState | None:
    """Return the foot across the diagonal, if it is soft."""
    across = [f for f in feet if f.plane != foot.plane and f.side != foot.side and _rises(f)]
    return across[0] if len(feet) == _FEET and across else None


def _rises(foot: SoftFootState) -> bool:
    return (foot.rise_mm or 0.0) > LIMIT_MM


def _shim_mm(foot: SoftFootState, kind: SoftFootKind) -> float | None:
    if kind == "parallel":
        return round(sum(foot.gaps_mm) / len(foot.gaps_mm), 6)
    return foot.rise_mm if kind == "soft" else None


def _words(
    foot: SoftFootState,
    kind: SoftFootKind,
    shim_mm: float | None,
    feet: Sequence[SoftFootState],
    units: Units,
) -> str:
    across = _across(foot, feet)
    if (
        kind in {"soft", "parallel"}
        and across is not None
        and (across.rise_mm or 0.0) > (foot.rise_mm or 0.0)
    ):
        said = f"shim {foot_name(across.plane, across.side)} first, across the diagonal, then look here again"
    elif kind == "angular":
        low, high = min(foot.gaps_mm), max(foot.gaps_mm)
        where = CORNERS[foot.gaps_mm.index(high)]
        said = (
            f"not flat on the base: step shims from {show_length(low, units)} to {show_length(high, units)} "
            f"({where}), or machine it"
        )
    else:
        move = vertical_move(shim_mm, units)
        said = {
            "not known": "",
            "none": "in order",
            "soft": f"{move}; measure its corners with a feeler gauge to be sure",
            "parallel": move,
            "springy": "no gap, yet it rises: clean it, take out bent shims, have at most three to five",
            "induced": "pushed or pulled from elsewhere: look at piping, coupling and base before any shim",
        }[kind]
    return said + _compared(foot, units)


def _compared(foot: SoftFootState, units: Units) -> str:
    if foot.before_mm is None or foot.rise_mm is None:
        return ""
    return f" (was {show_length(foot.before_mm, units)})"
