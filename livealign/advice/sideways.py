"""A sideways move in small steps, one end at a time about the other, with what dials at the feet will show.

Common practice, no source: many small moves beat one large one; one end is moved while the bolts of the other stay snug, so
that it turns about that end and does not slide away.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from livealign.advice.words import horizontal_move
from livealign.model.rig import FloatArray
from livealign.units import Units

__all__ = ["STEP_M", "Side", "SidewaysStep", "sideways_steps"]

Side: TypeAlias = Literal["3", "9"]
"""Where the dials stand: a foot that comes toward its dial pushes the plunger in, which reads positive."""

STEP_M = 0.1e-3
"""Largest step. Our choice."""
_MOST_STEPS = 1000
_NOTHING_M = 5e-6


@dataclass(frozen=True, slots=True)
class SidewaysStep:
    """One step: what is moved, what stays, and what the dials read afterwards, set to zero before the first step."""

    moves: str
    stays: str | None
    """The foot plane it turns about; None if there is but one."""
    by_m: float
    """Of this step, toward 3 o'clock."""
    dials_m: tuple[float, ...]
    """Of every foot plane, in the order given."""
    words: str


def sideways_steps(
    names: Sequence[str],
    x_m: FloatArray,
    offset_m: float,
    slope: float,
    units: Units,
    *,
    step_m: float = STEP_M,
    dials: Side = "3",
) -> tuple[SidewaysStep, ...]:
    """Return the steps of a move toward 3 o'clock of offset_m + slope x at every foot plane; none if it is nothing.

    The two outermost planes are moved in turn, the one with more to go first, so that both arrive together and the machine
    never turns further than it has to. Planes between them follow, as the machine is rigid. A machine on one foot plane is
    pushed without turning: slope is then left out.

    Args:
        names: of the foot planes.
        x_m: (F,) where they are.
        offset_m: wanted move at the coupling.
        slope: wanted change of slope.
        units: for the words.
        step_m: largest step, above 0.
        dials: on which side all dials stand.

    Raises:
        ValueError: if the step is not above 0, or so small that there would be no end of steps.
    """
    ends = sorted({int(x_m.argmin()), int(x_m.argmax())})
    whole = offset_m + (slope * x_m[ends] if len(ends) == 2 else np.zeros(1))
    counts = [_count(float(move), step_m) for move in whole]
    done = [0] * len(ends)
    sign = 1.0 if dials == "3" else -1.0
    steps = []
    while sum(done) < sum(counts):
        # The end that lags behind goes next; the one with more to go begins.
        i = min(
            range(len(ends)), key=lambda k: ((done[k] / counts[k]) if counts[k] else math.inf, -abs(whole[k]))
        )
        done[i] += 1
        at = [float(w) * d / c if c else 0.0 for w, d, c in zip(whole, done, counts, strict=True)]
        read = sign * _line(x_m, ends, at)
        moves, stays = names[ends[i]], names[ends[1 - i]] if len(ends) == 2 else None
        by = float(whole[i]) / counts[i]
        words = _words(moves, stays, by, names=names, read_m=read, units=units)
        steps.append(SidewaysStep(moves, stays, by, tuple(float(r) for r in read), words))
    return tuple(steps)


def _count(move_m: float, step_m: float) -> int:
    if abs(move_m) < _NOTHING_M:
        return 0
    if not step_m > 0.0 or abs(move_m) > _MOST_STEPS * step_m:
        raise ValueError("a step is above 0, and at most 1000 make up a move")
    return math.ceil(abs(move_m) / step_m - 1e-9)


def _line(x_m: FloatArray, ends: Sequence[int], at: Sequence[float]) -> FloatArray:
    """(F,) places of all planes of a rigid machine whose outermost ones are at these."""
    if len(ends) == 1:
        return np.full(x_m.size, at[0])
    (a, b), (start, end) = (float(x_m[e]) for e in ends), at
    line: FloatArray = start + (end - start) * (x_m - a) / (b - a)
    return line


def _words(
    moves: str, stays: str | None, by_m: float, *, names: Sequence[str], read_m: FloatArray, units: Units
) -> str:
    size, unit, decimals = (25.4e-6, "mil", 1) if units == "inch" else (1e-3, "mm", 2)
    start = f"Keep the {stays} snug, loosen the {moves}" if stays else f"Loosen the {moves}"
    shown = ", ".join(
        f"{name} {round(float(r) / size, decimals) + 0.0:+.{decimals}f}"
        for name, r in zip(names, read_m, strict=True)
    )
    return f"{start}: push {horizontal_move(by_m * 1e3, units)}. Dials then: {shown} {unit}."
