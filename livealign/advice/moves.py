"""The least moves that bring a row of coupled machines within tolerance, when feet cannot go everywhere.

Machines are rigid and stand on one base. A machine that moves has four unknowns, the change of its axis' offset and slope in
both planes; a machine on one foot plane cannot be tilted and has two. A coupling's deviation changes by the move of the
machine after it less that of the machine before it. All limits are linear in these unknowns but the tolerance, which is a
circle and is taken as the polygon of 64 corners on it: at most 0.12 % too strict. What is left is a linear program, solved
in turn for the least share of the tolerance, for the least moves that end within the share aimed at, and for tidiness.
"""

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from livealign.advice import words
from livealign.advice.optimum import Method, Optimum, least
from livealign.model.rig import POSE, FloatArray
from livealign.units import Units, length_words

__all__ = [
    "FREE",
    "By",
    "FootMove",
    "FootPlane",
    "Joint",
    "Machine",
    "Moves",
    "Range",
    "Reached",
    "least_moves",
]

By: TypeAlias = Literal["total", "largest"]
"""What is made least: the sum of all moves' sizes, or the largest of them (and then the sum)."""
Reached: TypeAlias = Literal["within aim", "within tolerance", "out of reach"]

_CORNERS = 64
_INSCRIBED = math.cos(math.pi / _CORNERS)
_SLACK = 1e-6
_BINDS = 1e-7
_MM = 1e3
"""Inside, lengths are in mm and slopes in mm/m, so that the solver's tolerance of 1e-7 is far below what can be measured."""


@dataclass(frozen=True, slots=True)
class Range:
    """From where to where a foot plane may be moved, m; up or toward 3 o'clock positive."""

    low_m: float = -math.inf
    high_m: float = math.inf


FREE = Range()


@dataclass(frozen=True, slots=True)
class FootPlane:
    """A pair of feet."""

    name: str
    x_m: float
    up: Range = FREE
    """Base-bound feet cannot go lower than the shims under them let them: low_m = -(height of the pack)."""
    across: Range = FREE
    """Bolt-bound feet stop at the play of the bolts in their holes."""


@dataclass(frozen=True, slots=True)
class Machine:
    """A machine with its feet, 1 or more planes; all x from one origin along the row."""

    name: str
    feet: tuple[FootPlane, ...]
    stays: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Joint:
    """A coupling between one machine of the row and the next."""

    name: str
    x_m: float
    deviation: FloatArray
    """(4,) pose of the next machine's axis against this one's at x_m, less the wanted one."""
    across: FloatArray
    """(C, 2) limits, as in `Criterion`."""


@dataclass(frozen=True, slots=True)
class FootMove:
    """What to do at one foot plane."""

    machine: str
    foot: str
    up_m: float
    across_m: float
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class Moves:
    """What to do, and where it leads."""

    feet: tuple[FootMove, ...]
    """Of the machines that move at all."""
    reached: Reached
    deviations: tuple[FloatArray, ...]
    """Of each joint afterwards."""
    shares: tuple[float, ...]
    """Greatest share of the tolerance at each joint afterwards."""
    largest_m: float
    total_m: float
    """Sum of the sizes of all moves, up and across, one for each foot plane."""
    binding: tuple[str, ...]
    """What keeps it from the aim, in words; nothing if the aim is reached."""


def least_moves(
    machines: tuple[Machine, ...],
    joints: tuple[Joint, ...],
    units: Units,
    *,
    aim: float,
    by: By,
    method: Method = "highs",
) -> Moves | None:
    """Return the least moves; None if the ranges contradict each other, so that no rigid machine can keep them.

    Args:
        machines: in their order along the row.
        joints: between each machine and the next.
        units: for the words.
        aim: share of the tolerance to end within, 0 to 1; where that cannot be reached, the least share that can.
        by: what is made least.
        method: of the solver.
    """
    return _Program(machines, joints, units, method).solved(aim, by)


class _Program:
    """Unknowns: for each moving machine (Y, Y', Z, Z'); then the share; then sizes of moves, one each, and the largest."""

    def __init__(
        self, machines: tuple[Machine, ...], joints: tuple[Joint, ...], units: Units, method: Method
    ) -> None:
        self._machines, self._joints = machines, joints
        self._units: Units = units
        self._method: Method = method
        self._feet = [(m, f) for m in machines if not m.stays for f in m.feet]
        free = {id(m): n for n, m in enumerate(m for m in machines if not m.stays)}
        self._at = [POSE * free[id(m)] if id(m) in free else None for m in machines]
        self._share = POSE * len(free)
        self._sizes = self._share + 1
        self._largest = self._sizes + 2 * len(self._feet)
        self._n = self._largest + 1
        self._moves = self._move_rows()
        """(2F, n) moves in mm: F across, then F up."""

    def solved(self, aim: float, by: By) -> Moves | None:
        rows, limits = self._limits()
        bounds_first = rows.shape[0] - 4 * len(self._feet)
        nearest = self._least(self._share, rows, limits)
        if nearest is None:
            return None
        share = max(aim, nearest.x[self._share])
        reached: Reached = "out of reach"
        if nearest.x[self._share] <= aim + _SLACK:
            reached = "within aim"
        elif self._worst(nearest.x) <= 1.0 + _SLACK:
            reached = "within tolerance"
        rows, limits = self._capped(rows, limits, self._share, share)
        best = nearest
        if by == "largest":
            best = self._least(self._largest, rows, limits) or best
            rows, limits = self._capped(rows, limits, self._largest, best.x[self._largest])
        best = self._least(slice(self._sizes, self._largest), rows, limits) or best
        binding = () if reached == "within aim" else self._binding(nearest, bounds_first)
        return self._told(best, reached, binding)

    def _least(self, what: int | slice, rows: FloatArray, limits: FloatArray) -> Optimum | None:
        cost = np.zeros(self._n)
        cost[what] = 1.0
        low = np.full(self._n, -np.inf)
        low[self._share :] = 0.0
        return least(cost, rows, limits, low=low, method=self._method)

    def _capped(
        self, rows: FloatArray, limits: FloatArray, index: int, most: float
    ) -> tuple[FloatArray, FloatArray]:
        row = np.zeros((1, self._n))
        row[0, index] = 1.0
        return np.concatenate([rows, row]), np.append(limits, most + _SLACK)

    def _move_rows(self) -> FloatArray:
        rows = np.zeros((2 * len(self._feet), self._n))
        first = 0
        for machine, at in zip(self._machines, self._at, strict=True):
            if at is None:
                continue
            for n, foot in enumerate(machine.feet, first):
                rows[n, at : at + 2] = 1.0, foot.x_m
                rows[len(self._feet) + n, at + 2 : at + 4] = 1.0, foot.x_m
            first += len(machine.feet)
        return rows

    def _limits(self) -> tuple[FloatArray, FloatArray]:
        """Return rows @ x <= limits: tolerance, sizes, the untilted, and last the ranges of the feet, high then low."""
        parts = [self._tolerance(), self._size_rows(), self._untilted()]
        ranges = [foot.across for _, foot in self._feet] + [foot.up for _, foot in self._feet]
        high = np.array([r.high_m for r in ranges]) * _MM
        low = np.array([r.low_m for r in ranges]) * _MM
        parts.append((np.concatenate([self._moves, -self._moves]), np.concatenate([high, -low])))
        return np.concatenate([r for r, _ in parts]), np.concatenate([limit for _, limit in parts])

    def _tolerance(self) -> tuple[FloatArray, FloatArray]:
        angles = 2.0 * math.pi * np.arange(_CORNERS) / _CORNERS
        rows, limits = [], []
        for n, joint in enumerate(self._joints):
            change = self._change_rows(n)
            for across in joint.across / _MM:
                y, z = across @ change[:2], across @ change[2:]
                row = np.outer(np.sin(angles), y) + np.outer(np.cos(angles), z)
                row[:, self._share] = -_INSCRIBED
                now_y, now_z = across @ joint.deviation[:2] * _MM, across @ joint.deviation[2:] * _MM
                rows.append(row)
                limits.append(-(np.sin(angles) * now_y + np.cos(angles) * now_z))
        return np.concatenate(rows), np.concatenate(limits)

    def _change_rows(self, joint: int) -> FloatArray:
        """(4, n) change of a joint's deviation: mm and mm/m."""
        rows = np.zeros((POSE, self._n))
        x = self._joints[joint].x_m
        for at, sign in ((self._at[joint], -1.0), (self._at[joint + 1], 1.0)):
            if at is not None:
                rows[:, at : at + POSE] += sign * np.kron(np.eye(2), [[1.0, x], [0.0, 1.0]])
        return rows

    def _size_rows(self) -> tuple[FloatArray, FloatArray]:
        """Each size is at least the move and its opposite; the largest is at least each size."""
        size = np.zeros_like(self._moves)
        size[:, self._sizes : self._largest] = np.eye(2 * len(self._feet))
        largest = size.copy()
        largest[:, self._largest] = -1.0
        rows = np.concatenate([self._moves - size, -self._moves - size, largest])
        return rows, np.zeros(rows.shape[0])

    def _untilted(self) -> tuple[FloatArray, FloatArray]:
        rows = np.zeros((0, self._n))
        for machine, at in zip(self._machines, self._at, strict=True):
            if at is not None and len({foot.x_m for foot in machine.feet}) == 1:
                slopes = np.zeros((2, self._n))
                slopes[0, at + 1] = slopes[1, at + 3] = 1.0
                rows = np.concatenate([rows, slopes, -slopes])
        return rows, np.zeros(rows.shape[0])

    def _deviations(self, x: FloatArray) -> tuple[FloatArray, ...]:
        return tuple(j.deviation + self._change_rows(n) @ x / _MM for n, j in enumerate(self._joints))

    def _shares(self, x: FloatArray) -> tuple[float, ...]:
        return tuple(
            float(np.hypot(j.across @ d[:2], j.across @ d[2:]).max())
            for j, d in zip(self._joints, self._deviations(x), strict=True)
        )

    def _worst(self, x: FloatArray) -> float:
        return max(self._shares(x))

    def _told(self, best: Optimum, reached: Reached, binding: tuple[str, ...]) -> Moves:
        f = len(self._feet)
        move = self._moves @ best.x / _MM
        # What is below a tenth of a micrometre is the solver's doing.
        move = np.where(np.abs(move) < 1e-7, 0.0, move)
        feet = tuple(
            FootMove(
                m.name,
                foot.name,
                float(move[f + i]),
                float(move[i]),
                self._words(m, foot, move[f + i], move[i]),
            )
            for i, (m, foot) in enumerate(self._feet)
        )
        sizes = np.abs(move) if f else np.zeros(1)
        return Moves(
            feet,
            reached,
            self._deviations(best.x),
            self._shares(best.x),
            float(sizes.max()),
            float(sizes.sum()),
            binding,
        )

    def _words(self, machine: Machine, foot: FootPlane, up_m: float, across_m: float) -> str:
        told = (
            words.vertical_move(up_m * _MM, self._units),
            words.horizontal_move(across_m * _MM, self._units),
        )
        todo = [t for t in told if t != "leave as it is"]
        return f"{machine.name}, {foot.name}: {', '.join(todo) or 'leave as it is'}"

    def _binding(self, nearest: Optimum, first: int) -> tuple[str, ...]:
        """Return the ranges without which the share could be less."""
        bind = nearest.rows_bind[first:].reshape(2, 2, -1) > _BINDS
        told = []
        for beyond, ways in zip(
            bind, (("toward 3 o'clock", "up"), ("toward 9 o'clock", "down")), strict=True
        ):
            for planes, way, of in zip(beyond, ways, ("across", "up"), strict=True):
                for (machine, foot), binds in zip(self._feet, planes, strict=True):
                    if binds:
                        told.append(_bound_words(machine, foot, of, way, self._units))
        return tuple(told)


def _bound_words(machine: Machine, foot: FootPlane, of: str, way: str, units: Units) -> str:
    allowed = foot.across if of == "across" else foot.up
    most = allowed.high_m if way in {"up", "toward 3 o'clock"} else -allowed.low_m
    where = f"{machine.name}, {foot.name}"
    if most <= 0.0:
        return f"{where}: cannot go {way}" + (
            f", must go the other way by {length_words(-most, units)}" if most < 0.0 else ""
        )
    return f"{where}: can go {length_words(most, units)} {way}, no further"
