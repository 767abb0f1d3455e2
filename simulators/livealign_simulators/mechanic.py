"""Somebody at the machine: turns the coupled shafts, puts shims under feet, pushes the machine sideways."""

from dataclasses import dataclass

import numpy as np

from livealign_simulators.geometry import AxisLine, Floats
from livealign_simulators.machine import Machine

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

    def _area(self, t: Floats) -> Floats:
        """Return the integral of the even ramp up to t."""
        whole, rate = abs(self.by_rad), self.rate_rad_per_s
        last = whole / rate
        inside = np.clip(t, 0.0, last)
        return 0.5 * rate * inside**2 + whole * np.maximum(t - last, 0.0)


class Mechanic:
    """The shafts' angle and the movable axis at any time. An action begins when it is told, never earlier."""

    def __init__(self, machine: Machine, angle_deg: float = 0.0) -> None:
        """Stand beside a machine whose shafts are at an angle."""
        self.machine = machine
        self._turns: list[Turn] = []
        self._before_rad = np.deg2rad(angle_deg)
        self._goal_rad = self._before_rad

    @property
    def goal_deg(self) -> float:
        """Where the shafts are, or will be when they have been turned."""
        return float(np.rad2deg(self._goal_rad))

    def turn(self, to_deg: float, deg_per_s: float, start_s: float) -> float:
        """Turn both shafts to an angle, which may be beyond a full turn; return when they stand still."""
        to_rad = np.deg2rad(to_deg)
        finished = [t for t in self._turns if start_s - t.end_s > _FORGET_S]
        self._before_rad += sum(t.by_rad for t in finished)
        self._turns = [t for t in self._turns if start_s - t.end_s <= _FORGET_S]
        made = Turn(float(to_rad - self._goal_rad), float(np.deg2rad(deg_per_s)), start_s)
        self._turns.append(made)
        self._goal_rad = to_rad
        return made.end_s

    def shim(self, foot: str, amount_mm: float, start_s: float) -> float:
        """Add shims under both feet of a plane (positive) or take some out; return when that is done.

        Raises:
            KeyError: if there is no such foot plane.
        """
        return start_s + self.machine.move(foot, "vertical", amount_mm, start_s).ramp_s

    def shift(self, foot: str, amount_mm: float, start_s: float) -> float:
        """Push a foot plane toward 3 o'clock (positive) or 9 o'clock; return when that is done.

        Raises:
            KeyError: if there is no such foot plane.
        """
        return start_s + self.machine.move(foot, "horizontal", amount_mm, start_s).ramp_s

    def angle_at(self, time_s: Floats) -> Floats:
        """Return the shafts' angle in rad at each time, not wrapped."""
        time_s = np.asarray(time_s, dtype=float)
        angle = np.full_like(time_s, self._before_rad)
        for t in self._turns:
            angle += t.turned(time_s)
        return angle

    def line_at(self, time_s: Floats) -> AxisLine:
        """Return the movable axis at each time."""
        return self.machine.line_at(time_s)
