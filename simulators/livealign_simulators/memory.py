"""What depends on where the shafts have been: play in a coupling, a head that is loose on its bracket."""

from collections.abc import Callable
from itertools import pairwise
from typing import Any, Protocol

import numpy as np

from livealign_simulators.geometry import Floats

__all__ = ["Memory", "Step", "Turning", "falling_over", "play"]

Step = Callable[[Floats, Floats, Floats], Floats]
"""State and angle at the start of a stretch in which the angle only rises or only falls, and an angle in it; the state."""


class Turning(Protocol):
    """A shaft that turns this way and that."""

    def angle_at(self, time_s: Floats) -> Floats:
        """Return its angle in rad at each time."""
        ...

    def knots_s(self) -> list[float]:
        """Return times, rising, between which the angle only rises or only falls."""
        ...


class Memory:
    """A state with hysteresis, told for any time in any order: no sampling can miss a turning point."""

    def __init__(self, path: Turning, step: Step, state: float) -> None:
        """Follow a shaft from time 0 on, at which the state is given."""
        self._path = path
        self._step = step
        self._since_s = 0.0
        self._state = state

    def at(self, time_s: Floats) -> Floats:
        """Return the state at each time."""
        time_s = np.asarray(time_s, dtype=float)
        knots = np.array([self._since_s, *(k for k in self._path.knots_s() if k > self._since_s)])
        angles = self._path.angle_at(knots)
        states: list[Any] = [self._state]
        for before, after in pairwise(angles):
            states.append(self._step(states[-1], before, after))
        piece = np.maximum(np.searchsorted(knots, time_s, side="right") - 1, 0)
        return self._step(np.array(states)[piece], angles[piece], self._path.angle_at(time_s))

    def settle(self, time_s: float) -> None:
        """Let everything before a time be forgotten but the state it has led to."""
        if time_s > self._since_s:
            self._state = float(self.at(np.array([time_s]))[0])
            self._since_s = time_s


def play(band_rad: float) -> Step:
    """Return how a shaft follows another through a coupling that has play, all of the band from one side to the other."""

    def step(state: Floats, _start: Floats, angle: Floats) -> Floats:
        return np.clip(state, angle - band_rad / 2, angle + band_rad / 2)

    return step


def falling_over(friction: float) -> Step:
    """Return to which side (1: clockwise, -1) a loose head has fallen.

    Its weight pulls it clockwise as the sine of the angle; where that is less than the friction it stays as it was.
    """
    dead = float(np.arcsin(friction))

    def step(state: Floats, start: Floats, angle: Floats) -> Floats:
        level = np.pi * np.round(angle / np.pi)
        # Where the head was last free to fall: the edge of the dead zone that the shaft has come from.
        edge = np.where(angle >= start, level - dead, level + dead)
        came_by = np.where(angle >= start, edge >= start, edge <= start)
        inside = np.abs(angle - level) < dead
        fell: Floats = np.where(
            inside, np.where(came_by, np.sign(np.sin(edge)), state), np.sign(np.sin(angle))
        )
        return fell

    return step
