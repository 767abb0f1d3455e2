"""Somebody at the machine: turns the coupled shafts, puts shims under feet, pushes the machine sideways."""

from dataclasses import dataclass, replace

import numpy as np

from livealign_simulators.frame import Side
from livealign_simulators.geometry import AxisLine, Floats
from livealign_simulators.machine import Machine
from livealign_simulators.memory import Memory, play
from livealign_simulators.trace import Shaft

__all__ = ["Mechanic", "Turn"]

_EASE_S = 0.4
_FORGET_S = 60.0


@dataclass(frozen=True, slots=True)
class Turn:
    """The shafts being turned by hand: evenly, with a gentle start and end."""

    by_rad: float
    rate_rad_per_s: float
    """Always positive."""
    start_s: float

    @property
    def end_s(self) -> float:
        """When the shafts stand still again."""
        return self.start_s + abs(self.by_rad) / self.rate_rad_per_s + _EASE_S

    def turned(self, time_s: Floats) -> Floats:
        """Return how far the shafts have turned at each time: an even ramp, averaged over the easing time."""
        t = time_s - self.start_s
        mean = (self._area(t) - self._area(t - _EASE_S)) / _EASE_S
        return np.copysign(mean, self.by_rad)

    def rate(self, time_s: Floats) -> Floats:
        """Return how fast they turn at each time, in rad/s."""
        t = np.asarray(time_s) - self.start_s
        last = abs(self.by_rad) / self.rate_rad_per_s
        share = (np.clip(t, 0.0, last) - np.clip(t - _EASE_S, 0.0, last)) / _EASE_S
        return np.copysign(self.rate_rad_per_s * share, self.by_rad)

    @property
    def bends_s(self) -> tuple[float, ...]:
        """When the acceleration changes; between these times the rate is a straight line."""
        last = abs(self.by_rad) / self.rate_rad_per_s
        return tuple(self.start_s + t for t in (0.0, _EASE_S, last, last + _EASE_S))

    def stopped(self, at_s: float) -> "Turn":
        """Return the same turn, broken off at a time after its start; what has been is not changed."""
        most = self.rate_rad_per_s * (at_s - self.start_s)
        return replace(self, by_rad=float(np.clip(self.by_rad, -most, most)))

    def _area(self, t: Floats) -> Floats:
        """Return the integral of the even ramp up to t."""
        whole, rate = abs(self.by_rad), self.rate_rad_per_s
        last = whole / rate
        inside = np.clip(t, 0.0, last)
        return 0.5 * rate * inside**2 + whole * np.maximum(t - last, 0.0)


class Mechanic:
    """The shafts' angle and the movable axis at any time. An action begins when it is told, never earlier."""

    def __init__(self, machine: Machine, angle_deg: float = 0.0, backlash_deg: float = 0.0) -> None:
        """Stand beside a machine whose shafts are at an angle.

        Args:
            machine: the movable machine, whose shaft is turned.
            angle_deg: of both shafts at first.
            backlash_deg: of the coupling, all of it; the stationary shaft begins in its middle.
        """
        self.machine = machine
        self._memories: list[Memory] = []
        self._follows: Memory | None = None
        self._turns: list[Turn] = []
        self._before_rad = np.deg2rad(angle_deg)
        self._goal_rad = self._before_rad
        if backlash_deg:
            self._follows = Memory(self, play(float(np.deg2rad(backlash_deg))), float(self._before_rad))
            self.remind(self._follows)

    @property
    def goal_deg(self) -> float:
        """Where the shafts are, or will be when they have been turned."""
        return float(np.rad2deg(self._goal_rad))

    def turn(self, to_deg: float, deg_per_s: float, start_s: float) -> float:
        """Turn both shafts to an angle, which may be beyond a full turn; return when they stand still."""
        to_rad = np.deg2rad(to_deg)
        for memory in self._memories:
            memory.settle(start_s - _FORGET_S)
        finished = [t for t in self._turns if start_s - t.end_s > _FORGET_S]
        self._before_rad += sum(t.by_rad for t in finished)
        self._turns = [t for t in self._turns if start_s - t.end_s <= _FORGET_S]
        made = Turn(float(to_rad - self._goal_rad), float(np.deg2rad(deg_per_s)), start_s)
        self._turns.append(made)
        self._goal_rad = to_rad
        return made.end_s

    def angle_deg(self, time_s: float) -> float:
        """Return the shafts' angle at one time, not wrapped."""
        return float(np.rad2deg(self.angle_at(np.array([time_s]))[0]))

    @property
    def turned_by_s(self) -> float:
        """When all turns that were begun will have ended; minus infinity before the first."""
        return max((t.end_s for t in self._turns), default=-np.inf)

    def stop(self, at_s: float) -> float:
        """Let the shafts come to rest at once, and forget turns that have not begun; return when they stand still."""
        going = [t for t in self._turns if t.start_s < at_s]
        self._turns = [t.stopped(at_s) for t in going]
        self._goal_rad = self._before_rad + sum(t.by_rad for t in self._turns)
        return max(at_s, self.turned_by_s)

    def shim(self, foot: str, amount_mm: float, start_s: float, side: Side | None = None) -> float:
        """Add shims under both feet of a plane or one of them (positive), or take some out; return when that is done.

        Raises:
            KeyError: if there is no such foot plane.
            PersonError: if the machine cannot stand so.
        """
        return start_s + self.machine.move(foot, "vertical", amount_mm, start_s, side).ramp_s

    def shift(self, foot: str, amount_mm: float, start_s: float) -> float:
        """Push a foot plane toward 3 o'clock (positive) or 9 o'clock, bolts or not; return when that is done.

        Raises:
            KeyError: if there is no such foot plane.
        """
        return start_s + self.machine.move(foot, "horizontal", amount_mm, start_s).ramp_s

    def bolt(self, foot: str, start_s: float, side: Side | None = None, *, tight: bool) -> float:
        """Tighten or loosen the bolts of a plane or one of them; return when that is done.

        Raises:
            KeyError: if there is no such foot plane.
            PersonError: if the machine cannot stand so.
        """
        work = self.machine.work(foot, lambda f: f.bolted(foot, side, tight=tight), start_s)
        return start_s + work.ramp_s

    def jack(self, foot: str, amount_mm: float, start_s: float) -> float:
        """Turn a jack screw at a plane, toward 3 o'clock (positive) or 9 o'clock, and back off; return when that is done.

        How far the machine comes depends on its bolts and their holes.

        Raises:
            KeyError: if there is no such foot plane.
            PersonError: if the machine cannot stand so.
        """
        work = self.machine.work(foot, lambda f: f.jacked(foot, amount_mm), start_s, "horizontal")
        return start_s + work.ramp_s

    def remind(self, memory: Memory) -> None:
        """Have a memory keep its state before turns of long ago are forgotten."""
        self._memories.append(memory)

    def angle_at(self, time_s: Floats) -> Floats:
        """Return the shafts' angle in rad at each time, not wrapped."""
        time_s = np.asarray(time_s, dtype=float)
        angle = np.full_like(time_s, self._before_rad)
        for t in self._turns:
            angle += t.turned(time_s)
        return angle

    def shaft_angle_at(self, shaft: Shaft, time_s: Floats) -> Floats:
        """Return one shaft's angle in rad: the stationary shaft lags behind by the coupling's play."""
        if shaft == "movable" or self._follows is None:
            return self.angle_at(time_s)
        return self._follows.at(time_s)

    def knots_s(self) -> list[float]:
        """Return times, rising, between which the shafts turn one way only, as far as turns are remembered."""
        bends = sorted({t for turn in self._turns for t in turn.bends_s})
        rates = sum((turn.rate(np.array(bends)) for turn in self._turns), np.zeros(len(bends)))
        knots = []
        for i, at_s in enumerate(bends):
            knots.append(at_s)
            if i + 1 < len(bends) and rates[i] * rates[i + 1] < 0.0:
                # Turns that overlap: the rate is straight in between and passes 0 here.
                share = rates[i] / (rates[i] - rates[i + 1])
                knots.append(at_s + float(share) * (bends[i + 1] - at_s))
        return knots

    def line_at(self, time_s: Floats) -> AxisLine:
        """Return the movable axis at each time."""
        return self.machine.line_at(time_s)
