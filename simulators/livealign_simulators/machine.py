"""The movable machine: a rigid axis over its foot planes, and what happens when somebody moves a foot or turns a bolt."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from livealign_simulators.frame import FootRest, Frame, Resting, Side, level_frame
from livealign_simulators.geometry import AxisLine, Floats
from livealign_simulators.thermal import Warming, grown_line
from livealign_simulators.vibration import Vibration

__all__ = ["SIDES", "FootPlane", "Machine", "Move", "Settling"]

Direction = Literal["vertical", "horizontal"]

SIDES: tuple[Side, ...] = ("left", "right")
SETTLING_S = 0.6
"""Time constant with which the machine comes to rest."""
_FORGET_S = 15.0
_FORGET_CREEPS = 15.0
_KNOCK_DECAY_S = 0.08
_KNOCKS_PER_S = 4.0
_KNOCK_MM = 0.012
_CROSS_MM = 0.002


@dataclass(frozen=True, slots=True)
class FootPlane:
    """A pair of feet and where it truly is."""

    name: str
    x_mm: float


@dataclass(frozen=True, slots=True)
class Settling:
    """How a machine comes to rest after it has been moved."""

    time_s: float = SETTLING_S
    """Time constant."""
    creep: float = 0.0
    """Share of the move that comes slowly, as shims and coats of paint give way."""
    creep_s: float = 120.0
    """Time constant of that."""

    @property
    def forget_s(self) -> float:
        """After this nothing is left to come."""
        slow = _FORGET_CREEPS * max(self.time_s, self.creep_s if self.creep else 0.0)
        return max(_FORGET_S, slow)


@dataclass(frozen=True, slots=True, eq=False)
class Move:
    """Foot planes being moved: a ramp, a slow settling, and the knocks of the tools."""

    foot: int
    """The plane where tools are used."""
    direction: Direction
    amount_mm: float
    """Positive: up, or toward 3 o'clock."""
    start_s: float
    ramp_s: float
    cross_mm: float
    """What the same foot plane moves in the other direction, unasked."""
    knocks: Floats
    """Times in s, sizes in mm and frequencies in Hz of the blows, shape (3, N)."""

    settling: Settling = Settling()
    carried: AxisLine | None = None
    """How the axis moves instead, if the frame decides that."""

    def progress(self, time_s: Floats) -> Floats:
        """Return the share of the move that is done: a ramp through a first-order lag: no overshoot."""
        t = np.maximum(time_s - self.start_s, 0.0)
        done = _lagging(t, self.ramp_s, self.settling.time_s)
        if self.settling.creep:
            done = done + self.settling.creep * (_lagging(t, self.ramp_s, self.settling.creep_s) - done)
        return done

    def shaking(self, time_s: Floats) -> Floats:
        """Return the disturbance by the blows, in mm."""
        at_s, size_mm, frequency_hz = self.knocks[:, :, np.newaxis]
        since = np.maximum(time_s - at_s, 0.0)
        ringing = np.exp(-since / _KNOCK_DECAY_S) * np.sin(2 * np.pi * frequency_hz * since)
        total: Floats = (size_mm * ringing).sum(axis=0)
        return total


class Machine:
    """Where the movable axis is at any time. Times never run backwards by more than a few seconds."""

    def __init__(
        self,
        start: AxisLine,
        feet: Sequence[FootPlane],
        seed: np.random.SeedSequence,
        *,
        settling: Settling | None = None,
        frame: Frame | None = None,
        warmings: Sequence[Warming] = (),
        vibrations: Sequence[Vibration] = (),
    ) -> None:
        """Keep the pose before the first move and the true foot planes, nearest first or not.

        Args:
            start: the movable axis as found, the frame as given.
            feet: the true foot planes.
            seed: of the tools' knocks.
            settling: how the machine comes to rest.
            frame: its feet and bolts; without it the planes are stiff and even, until somebody turns a bolt or a screw.
            warmings: legs that grow or shrink.
            vibrations: what shakes it all the time.

        Raises:
            PersonError: if the machine cannot stand on that frame.
        """
        self.feet = tuple(feet)
        self.settling = settling or Settling()
        self.warmings = list(warmings)
        self.vibrations = list(vibrations)
        self.shims_mm: dict[tuple[str, Side], float] = {(f.name, side): 0.0 for f in feet for side in SIDES}
        """What has been put under each foot since the machine was found."""
        self.shifted_mm: dict[str, float] = {f.name: 0.0 for f in feet}
        """How far each foot plane has been pushed toward 3 o'clock; what jack screws did is not in it."""
        self._start = start
        self._rng = np.random.default_rng(seed)
        self._moves: list[Move] = []
        self._done_mm = {"vertical": np.zeros(len(self.feet)), "horizontal": np.zeros(len(self.feet))}
        self._done_line = np.zeros(4)
        x = np.array([f.x_mm for f in self.feet])
        # One foot plane alone cannot tilt the machine; more than two are taken as equally stiff.
        design = np.stack([np.ones_like(x), x], axis=1) if len(x) > 1 else np.ones((1, 1))
        self._to_line = np.linalg.pinv(design)
        self._frame: Frame | None = None
        self._resting: Resting | None = None
        if frame is not None:
            self._frame, self._resting = frame.settled()

    def foot_index(self, name: str) -> int:
        """Return the number of the foot plane of that name.

        Raises:
            KeyError: if there is none.
        """
        for i, foot in enumerate(self.feet):
            if foot.name == name:
                return i
        raise KeyError(name)

    def move(
        self, foot: str, direction: Direction, amount_mm: float, start_s: float, side: Side | None = None
    ) -> Move:
        """Begin to move a foot plane, or to shim one foot of it; the move returned says how long its ramp takes.

        Raises:
            KeyError: if there is no such foot plane.
            PersonError: if the machine cannot stand so.
        """
        index = self.foot_index(foot)
        if self._frame is None and side is None:
            made = self._begin(index, direction, amount_mm, start_s, None)
        elif direction == "vertical":
            made = self.work(foot, lambda f: f.shimmed(foot, amount_mm, side), start_s)
        else:
            made = self.work(foot, lambda f: f.slid(foot, amount_mm), start_s, "horizontal")
        if direction == "horizontal":
            self.shifted_mm[foot] += amount_mm
        else:
            for each in SIDES if side is None else (side,):
                self.shims_mm[foot, each] += amount_mm
        return made

    def work(
        self,
        foot: str,
        change: Callable[[Frame], Frame],
        start_s: float,
        direction: Direction = "vertical",
    ) -> Move:
        """Begin to change something at the frame, at a foot plane; the axis goes where the feet then carry it.

        Raises:
            KeyError: if there is no such foot plane.
            PersonError: if the machine cannot stand so; nothing is changed then.
        """
        index = self.foot_index(foot)
        before, resting = self._standing()
        self._frame, self._resting = change(before).settled()
        line, old = self._resting.line, resting.line
        carried = AxisLine(
            line.y_mm - old.y_mm, line.y_slope - old.y_slope, line.z_mm - old.z_mm, line.z_slope - old.z_slope
        )
        return self._begin(index, direction, 0.0, start_s, carried)

    @property
    def loose(self) -> frozenset[tuple[str, Side]]:
        """Which bolts are loose, by foot plane and side."""
        feet = () if self._frame is None else self._frame.feet
        return frozenset((f.plane, f.side) for f in feet if not f.tight)

    def found(self) -> tuple[FootRest, ...]:
        """Return what a load cell and a feeler gauge would find at the feet."""
        return self._standing()[1].feet

    def line_at(self, time_s: Floats) -> AxisLine:
        """Return the movable axis at each time, shape (N,) in, (N,) in every field out."""
        time_s = np.asarray(time_s, dtype=float)
        feet = {d: np.repeat(done[:, np.newaxis], time_s.size, axis=1) for d, done in self._done_mm.items()}
        carried = np.repeat(self._done_line[:, np.newaxis], time_s.size, axis=1)
        for m in self._moves:
            progress, shaking = m.progress(time_s), m.shaking(time_s)
            other: Direction = "horizontal" if m.direction == "vertical" else "vertical"
            feet[m.direction][m.foot] += m.amount_mm * progress + shaking
            feet[other][m.foot] += m.cross_mm * progress + 0.3 * shaking
            if m.carried is not None:
                carried += _numbers(m.carried)[:, np.newaxis] * progress
        self._grow(carried, time_s)
        for v in self.vibrations:
            wave = v.shaking(time_s)
            carried[0] += v.y_mm * wave
            carried[2] += v.z_mm * wave
        y, y_slope = self._line(feet["horizontal"])
        z, z_slope = self._line(feet["vertical"])
        s = self._start
        return AxisLine(
            s.y_mm + y + carried[0],
            s.y_slope + y_slope + carried[1],
            s.z_mm + z + carried[2],
            s.z_slope + z_slope + carried[3],
        )

    def _grow(self, carried: Floats, time_s: Floats) -> None:
        for machine, sign in (("movable", 1.0), ("stationary", -1.0)):
            warmings = [w for w in self.warmings if w.machine == machine]
            if warmings:
                planes = [f.x_mm for f in self.feet] if machine == "movable" else []
                offset, slope = grown_line(planes, warmings, time_s)
                carried[2] += sign * offset
                carried[3] += sign * slope

    def _standing(self) -> tuple[Frame, Resting]:
        if self._frame is None or self._resting is None:
            self._frame, self._resting = level_frame([(f.name, f.x_mm) for f in self.feet]).settled()
        return self._frame, self._resting

    def _begin(
        self, foot: int, direction: Direction, amount_mm: float, start_s: float, carried: AxisLine | None
    ) -> Move:
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
        if carried is not None:
            cross_mm = 0.0  # the frame says all of it
        made = Move(foot, direction, amount_mm, start_s, ramp_s, cross_mm, knocks, self.settling, carried)
        self._forget_finished(start_s)
        self._moves.append(made)
        return made

    def _line(self, feet_mm: Floats) -> tuple[Floats, Floats]:
        solved = self._to_line @ feet_mm
        return solved[0], solved[1] if len(solved) > 1 else np.zeros_like(solved[0])

    def _forget_finished(self, now_s: float) -> None:
        """Add the moves of long ago to the sum, so that their number stays small."""
        finished = [m for m in self._moves if now_s - m.start_s > self.settling.forget_s]
        for m in finished:
            other = "horizontal" if m.direction == "vertical" else "vertical"
            self._done_mm[m.direction][m.foot] += m.amount_mm
            self._done_mm[other][m.foot] += m.cross_mm
            if m.carried is not None:
                self._done_line += _numbers(m.carried)
        self._moves = [m for m in self._moves if now_s - m.start_s <= self.settling.forget_s]


def _lagging(t: Floats, ramp_s: float, lag_s: float) -> Floats:
    """Return an even ramp from 0 to 1 through a first-order lag."""
    rising = (t + lag_s * np.expm1(-t / lag_s)) / ramp_s
    after = np.maximum(t - ramp_s, 0.0)
    resting = 1.0 + lag_s / ramp_s * np.expm1(-ramp_s / lag_s) * np.exp(-after / lag_s)
    return np.where(t < ramp_s, rising, resting)


def _numbers(line: AxisLine) -> Floats:
    return np.array([line.y_mm, line.y_slope, line.z_mm, line.z_slope], dtype=float)
