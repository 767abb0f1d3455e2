"""One thing to be said about a rig."""

from dataclasses import dataclass
from typing import Literal, get_args

__all__ = ["CLOCKWISE", "Finding", "FindingKind", "by_importance", "mind"]

CLOCKWISE = (
    "clockwise as seen from behind the movable machine, looking along the shafts at the stationary one"
)

FindingKind = Literal[
    "not open", "only bad records", "nothing comes", "no such field", "stuck", "swapped", "sense", "does not turn",
    "unit", "heads apart", "clock", "clipped", "dim", "does not follow", "noisy", "reconnects", "restarts", "bad records",
    "lost records", "duplicates", "rate", "auxiliary", "jumps", "drift", "jitter", "too fast", "coarse", "near the end",
    "not at rest", "not turned",
]  # fmt: skip
"""Most important first."""
_ORDER: tuple[FindingKind, ...] = get_args(FindingKind)


@dataclass(frozen=True, slots=True)
class Finding:
    """Something about a rig that the person should know."""

    kind: FindingKind
    about: str
    """Name of a link, head or channel; empty for the rig."""
    what: str
    advice: str
    wrong: bool = True
    """To be mended before measuring; else to be kept in mind."""


def mind(kind: FindingKind, about: str, what: str, advice: str) -> Finding:
    """Return something that is only to be kept in mind."""
    return Finding(kind, about, what, advice, wrong=False)


def by_importance(finding: Finding) -> tuple[bool, int]:
    """Return what findings are sorted by."""
    return not finding.wrong, _ORDER.index(finding.kind)
