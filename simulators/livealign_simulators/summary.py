"""What came of a demonstration, for reading."""

from typing import Any

from livealign.units import rounded_up
from livealign_simulators.operator import Outcome

__all__ = ["compared", "summary"]

_HEAD = f"{'':34}{'truth':>9}{'estimate':>10}{'+-':>7}"


def summary(outcome: Outcome) -> str:
    """Return truth and estimate side by side."""
    lines = ["", _HEAD, "As found"]
    lines += _compared(outcome.truth_start, outcome.estimate_start)
    lines += ["As left", *_compared(outcome.truth_end, outcome.estimate_end)]
    return "\n".join([*lines, f"Verdict: {outcome.verdict}"])


def compared(when: str, truth: dict[str, Any], estimate: dict[str, Any], verdict: str) -> str:
    """Return truth and estimate of one moment side by side."""
    return "\n".join(["", _HEAD, when, *_compared(truth, estimate), f"Verdict: {verdict}"])


def _compared(truth: dict[str, Any], estimate: dict[str, Any]) -> list[str]:
    lines = []
    for plane in ("vertical", "horizontal"):
        true, told = truth["pose"][plane], estimate["pose"][plane]
        for key, unit in (("offset", "mm"), ("slope", "mm_per_m")):
            name = f"{plane} {key}, {unit.replace('_per_', '/')}"
            lines.append(_row(name, true[f"{key}_{unit}"], told[f"{key}_{unit}"], told[f"{key}_u_{unit}"]))
    for true, told in zip(truth["feet"], estimate["feet"], strict=True):
        lines += [
            _row(
                f"{told['name']}, {plane}, mm",
                true[f"{plane}_mm"],
                told[f"{plane}_mm"],
                told[f"{plane}_u_mm"],
            )
            for plane in ("vertical", "horizontal")
        ]
    return lines


def _row(name: str, true: float, told: float | None, u: float | None) -> str:
    if told is None or u is None:
        return f"  {name:32}{true:+9.3f}{'not known':>10}"
    return f"  {name:32}{true:+9.3f}{told:+10.3f}{rounded_up(2 * u, 3):7.3f}"
