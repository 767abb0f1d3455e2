"""The movable machine: a rigid axis over its foot planes, and what happens when somebody moves a foot."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from livealign_simulators.geometry import AxisLine, Floats

__all__ = ["FootPlane", "Machine", "Move"]

Direction = Literal["vertical", "horizontal"]

SETTLING_S = 0.6
"""Time constant with which the machine comes to rest."""
_FORGET_S = 15.0
_KNOCK_DECAY_S = 0.08
_KNOCKS_PER_S = 4.0
_KNOCK_MM = 0.012
_CROSS_MM = 0.002


@dataclass(frozen=True, slots=True)
class FootPlane:
    """A pair of feet and where it truly is."""

    name: str
    x_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Move:
    """One foot plane being moved: a ramp, a slow settling, and the knocks of the tools."""

    foot: int
    direction: Direction
    amount_mm: float
    """Positive: up, or toward 3 o'clock."""
    start_s: float
    ramp_s: float
    cross_mm: float
    """What the same foot plane moves in the other direction, unasked."""
    knocks: Floats
    """Times in s, sizes in mm and frequencies in Hz of the blows, shape (3, N)."""

    def progress(self, time_s: Floats) -> Floats:
        """Return the share of the move that is done: a ramp through a first-order lag: no overshoot."""
        t = np.maximum(time_s - self.start_s, 0.0)
        rising = (t + SETTLING_S * np.expm1(-t / SETTLING_S)) / self.ramp_s
        after = np.maximum(t - self.ramp_s, 0.0)
        resting = 1.0 + SETTLING_S / self.ramp_s * np.expm1(-self.ramp_s / SETTLING_S) * np.exp(
            -after / SETTLING_S
        )
        return np.where(t < self.ramp_s, rising, resting)

    def shaking(self, time_s: Floats) -> Floats:
        """Return the disturbance by the blows, in mm."""
        at_s, size_mm, frequency_hz = self.knocks[:, :, np.newaxis]
        since = np.maximum(time_s - at_s, 0.0)
        ringing = np.exp(-since / _KNOCK_DECAY_S) * np.sin(2 * np.pi * frequency_hz * since)
        total: Floats = (size_mm * ringing).sum(axis=0)
        return total


class Machine:
    """Where the movable axis is at any time. Times never run backwards by more than a few seconds."""

    def __init__(self, start: AxisLine, feet: Sequence[FootPlane], seed: np.random.SeedSequence) -> None:
        """Keep the pose before the first move and the true foot planes, nearest first or not."""
        self.feet = tuple(feet)
        self._start = start
        self._rng = np.random.default_rng(seed)
        self._moves: list[Move] = []
        self._done_mm = {"vertical": np.zeros(len(self.feet)), "horizontal": np.zeros(len(self.feet))}
        x = np.array([f.x_mm for f in self.feet])
        # One foot plane alone cannot tilt the machine; more than two are taken as equally stiff.
        design = np.stack([np.ones_like(x), x], axis=1) if len(x) > 1 else np.ones((1, 1))
        self._to_line = np.linalg.pinv(design)

    def foot_index(self, name: str) -> int:
        """Return the number of the foot plane of that name.

        Raises:
            KeyError: if there is none.
        """
        for i, foot in enumerate(self.feet):
            if foot.name == name:
                return i
        raise KeyError(name)

    def move(self, foot: str, direction: Direction, amount_mm: float, start_s: float) -> Move:
        """Begin to move a foot plane; the move returned says how long its ramp takes.

        Raises:
            KeyError: if there is no such foot plane.
        """
        index = self.foot_index(foot)
        ramp_s = float(self._rng.uniform(0.5, 1.0))
        count = 1 + int(self._rng.poisson(_KNOCKS_PER_S * ramp_s))
        knocks = np.array(
            [
                start_s + self._rng.uniform(0.0, ramp_s, count),
                self._rng.normal(0.0, _KNOCK_MM, count),
                self._rng.uniform(8.0, 30.0, count),
            ]
        )
        cross_mm = float(np.clip(self._rng.normal(0.0, _CROSS_MM), -3 * _CROSS_MM, 3 * _CROSS_MM))
        made = Move(index, direction, amount_mm, start_s, ramp_s, cross_mm, knocks)
        self._forget_finished(start_s)
        self._moves.append(made)
        return made

    def line_at(self, time_s: Floats) -> AxisLine:
        """Return the movable axis at each time, shape (N,) in, (N,) in every field out."""
        time_s = np.asarray(time_s, dtype=float)
        feet = {d: np.repeat(done[:, np.newaxis], time_s.size, axis=1) for d, done in self._done_mm.items()}
        for m in self._moves:
            progress, shaking = m.progress(time_s), m.shaking(time_s)
            other: Direction = "horizontal" if m.direction == "vertical" else "vertical"
            feet[m.direction][m.foot] += m.amount_mm * progress + shaking
            feet[other][m.foot] += m.cross_mm * progress + 0.3 * shaking
        y, y_slope = self._line(feet["horizontal"])
        z, z_slope = self._line(feet["vertical"])
        s = self._start
        return AxisLine(s.y_mm + y, s.y_slope + y_slope, s.z_mm + z, s.z_slope + z_slope)

    def _line(self, feet_mm: Floats) -> tuple[Floats, Floats]:
        solved = self._to_line @ feet_mm
        return solved[0], solved[1] if len(solved) > 1 else np.zeros_like(solved[0])

    def _forget_finished(self, now_s: float) -> None:
        """Add the moves of long ago to the sum, so that their number stays small."""
        finished = [m for m in self._moves if now_s - m.start_s > _FORGET_S]
        for m in finished:
            other = "horizontal" if m.direction == "vertical" else "vertical"
            self._done_mm[m.direction][m.foot] += m.amount_mm
            self._done_mm[other][m.foot] += m.cross_mm
        self._moves = [m for m in self._moves if now_s - m.start_s <= _FORGET_S]
