"""Which shims go under which foot: the pack that lands nearest the wanted move, from the shims there are.

The whole machine is chosen at once, exactly: first the deviation that counts is made least, then the number of shims that
are taken out or put in. For each foot every pack of at most so many shims is listed; a program of whole numbers picks one
a foot. What counts as deviation:

- With two foot planes and a criterion: the share of the tolerance that the remaining error takes up, up and down, and the
  left against the right foot of a plane, where 0.05 mm counts as a whole share.
- Otherwise: the error at a foot, and that of the left against the right foot. With three planes or more feet that are
  off their line bend the frame, so each is to come as near to it as it can.

Common practice, no source: thick shims outside, thin ones between them; four shims a foot at most.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from itertools import combinations, combinations_with_replacement, pairwise
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from livealign.advice.optimum import Optimum, least, least_whole
from livealign.advice.verdict import Criterion
from livealign.model.rig import FloatArray
from livealign.units import Units

__all__ = ["INCH", "METRIC", "MOST_SHIMS", "Pack", "Plane", "ShimPlan", "Stock", "arranged", "shim_plan"]

_Ints: TypeAlias = NDArray[np.int64]

MOST_SHIMS = 4
"""Shims in a pack. Common practice, no source."""

_GRAIN_M = 1e-7
"""All thicknesses are whole multiples of it: mm and thousandths of an inch add up without rounding."""
_TWIST_M = 50e-6
"""Difference between the left and the right foot that counts like the whole tolerance (soft foot, McMillan 2004, p. 113)."""
_WIDER = 1.25
"""Factor by which the search is widened while there are too few shims."""
_SLIGHT_M = 1e-5
"""Shortfall that is not worth a word."""
_SAME = 1e-6
"""Shares (or shares of a grain) that differ by less are the same."""


@dataclass(frozen=True)
class Stock:
    """The shims there are, by thickness in m; how many of each, None: plenty."""

    counts: Mapping[float, int | None]


METRIC = Stock(dict.fromkeys([size * 1e-3 for size in (0.05, 0.1, 0.2, 0.25, 0.4, 0.5, 0.7, 1.0, 2.0)]))
"""Common practice, no source."""
INCH = Stock(
    dict.fromkeys([mil * 25.4e-6 for mil in (1, 2, 3, 4, 5, 10, 15, 20, 25, 50, 75, 100, 125)]),
)
"""Sizes as shim literature has them."""


@dataclass(frozen=True, slots=True)
class Plane:
    """A foot plane: where it is to go, and what is under its feet now."""

    name: str
    x_m: float
    up_m: float
    """Wanted move of both feet, positive: raise."""
    left: tuple[float, ...] = ()
    """Shims under the foot on the 9 o'clock side now, m."""
    right: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Pack:
    """What is to be under one foot, in the order it is laid; all in m."""

    foot: str
    shims_m: tuple[float, ...]
    out_m: tuple[float, ...]
    into_m: tuple[float, ...]
    up_m: float
    """The move it makes."""
    error_m: float
    """That move less the wanted one."""
    words: str


@dataclass(frozen=True, slots=True)
class ShimPlan:
    """Packs for all feet, and what remains."""

    packs: tuple[Pack, ...]
    """Of each plane the left, then the right foot."""
    changes: int
    """Shims to be taken out or put in."""
    largest_error_m: float
    offset_error_m: float
    """What is left at the coupling of the wanted change, up positive."""
    slope_error: float
    share: float | None
    """Share of the tolerance that this is, in the vertical plane alone; None without a criterion."""
    short: tuple[str, ...]
    """What cannot be reached with any pack, in words."""
    proven: bool = True
    """False: the search was cut short, and better packs may exist."""


def shim_plan(
    planes: tuple[Plane, ...],
    stock: Stock,
    units: Units,
    *,
    most: int = MOST_SHIMS,
    criterion: Criterion | None = None,
    enough: float = 0.0,
) -> ShimPlan:
    """Return the packs that come nearest to the wanted moves, with the fewest changes among those.

    Shims that come out are put in again where their size is among those of the stock. Shims of another size (base plates)
    stay where they are or come out. A pack of more than `most` shims may stay as it is.

    Args:
        planes: of one machine, at different places along the shaft.
        stock: what there is besides what is under the feet.
        units: "mm" or "inch", for the words.
        most: shims in a pack, at least 1.
        criterion: tolerance that the remaining error is measured by.
        enough: deviations below it are all alike, so that no shim is changed for their sake; as a share of the tolerance
            with a criterion and two planes, else in m.
    """
    by_share = criterion is not None and len(planes) == 2
    rows = _rows(planes, criterion if by_share else None)
    feet = [
        _Foot.of(plane, side, stock, most)
        for plane in planes
        for side in ("left", "right")
    ]  # fmt: skip
    wanted = np.array([foot.wanted for foot in feet])
    loose = enough if by_share else enough / _GRAIN_M
    chosen, proven = _Choice(rows, feet, wanted, stock).best(loose)
    return _told(planes, feet, chosen, criterion, units=units, proven=proven)


@dataclass(frozen=True, eq=False)
class _Foot:
    """One foot and every pack that may be under it; lengths in grains."""

    name: str
    now: tuple[int, ...]
    wanted: float
    """Height of the pack that would be exact."""
    sizes: tuple[int, ...]
    packs: _Ints
    """(P, sizes) how many of each size."""
    heights: _Ints
    """(P,)"""
    changes: _Ints
    """(P,)"""

    @classmethod
    def of(cls, plane: Plane, side: str, stock: Stock, most: int) -> "_Foot":
        now = tuple(sorted(_grains(plane.left if side == "left" else plane.right), reverse=True))
        kinds = tuple(sorted(_grains(stock.counts)))
        own = tuple(g for g in now if g not in kinds)
        sizes = (*kinds, *sorted(set(own)))
        here = np.array([now.count(s) for s in sizes], dtype=np.int64)
        kept = {part for n in range(min(most, len(own)) + 1) for part in combinations(own, n)}
        packs = [here[None, :]]
        for part in kept:
            listed = _packs(len(kinds), most - len(part))
            beside = np.array([part.count(s) for s in sizes[len(kinds) :]], dtype=np.int64)
            packs.append(np.hstack([listed, np.broadcast_to(beside, (len(listed), beside.size))]))
        table = np.unique(np.concatenate(packs), axis=0)
        changes = np.abs(table - here).sum(axis=1)
        heights = table @ np.array(sizes, dtype=np.int64)
        # Fewest changes first, so that the first of a height is the one to take.
        order = np.lexsort((table.sum(axis=1), changes, heights))
        wanted = sum(now) + plane.up_m / _GRAIN_M
        name = f"{plane.name}, {side}"
        return cls(name, now, wanted, sizes, table[order], heights[order], changes[order])


@cache
def _packs(kinds: int, most: int) -> _Ints:
    """(P, kinds) every choice of up to so many shims of so many kinds."""
    chosen = [p for n in range(most + 1) for p in combinations_with_replacement(range(kinds), n)]
    table = np.zeros((len(chosen), kinds), dtype=np.int64)
    for i, pack in enumerate(chosen):
        for kind in pack:
            table[i, kind] += 1
    return table


def _grains(sizes_m: Iterable[float]) -> list[int]:
    return [round(size / _GRAIN_M) for size in sizes_m]


def _rows(planes: tuple[Plane, ...], criterion: Criterion | None) -> FloatArray:
    """(R, 2 planes) deviations per grain of error at each foot; the largest of them counts."""
    n = len(planes)
    mean = np.repeat(np.eye(n), 2, axis=1) / 2.0
    twist = np.repeat(np.eye(n), 2, axis=1) * np.tile([1.0, -1.0], n)
    if criterion is None:
        return np.concatenate([np.eye(2 * n), twist])
    shares = criterion.across @ _line(planes) @ mean
    rows: FloatArray = np.concatenate([shares, twist / _TWIST_M]) * _GRAIN_M
    return rows


def _line(planes: tuple[Plane, ...]) -> FloatArray:
    """(2, planes) offset and slope of the straight line nearest to moves at the planes; one plane: no slope."""
    x = np.array([plane.x_m for plane in planes])
    if len(planes) == 1:
        return np.array([[1.0], [0.0]])
    line: FloatArray = np.linalg.pinv(np.stack([np.ones_like(x), x], axis=1))
    return line


class _Choice:
    """The choice of one pack a foot."""

    def __init__(self, rows: FloatArray, feet: list[_Foot], wanted: FloatArray, stock: Stock) -> None:
        self._rows, self._feet, self._wanted = rows, feet, wanted
        self._limited = {
            g: n for g, n in zip(_grains(stock.counts), stock.counts.values(), strict=True) if n is not None
        }
        # How far each foot may be off at most while all deviations are at most 1.
        both, ones = np.concatenate([rows, -rows]), np.ones(2 * len(rows))
        widths = [least(-unit, both, ones) for unit in np.eye(len(feet))]
        self._reach = np.array([np.inf if w is None else -w.value for w in widths])

    def best(self, enough: float) -> tuple[list[int], bool]:
        """Return the index of each foot's pack, and whether nothing better exists."""
        chosen, proven = self._plenty(enough)
        if not self._in_stock(chosen):
            chosen, least_changed = self._scarce(enough, chosen)
            proven = proven and least_changed
        return chosen, proven

    def _in_stock(self, chosen: list[int]) -> bool:
        return all(
            sum(self._used(f, size)[i] for f, i in enumerate(chosen)) <= self._there(size)
            for size in self._limited
        )

    def _used(self, foot: int, size: int) -> _Ints:
        """(P,) how many of a size each pack of a foot has."""
        column: _Ints = self._feet[foot].packs[:, self._feet[foot].sizes.index(size)]
        return column

    def _there(self, size: int) -> int:
        return self._limited[size] + sum(foot.now.count(size) for foot in self._feet)

    def _plenty(self, enough: float) -> tuple[list[int], bool]:
        """Choose as if no size ran out: of packs of the same height the one with the fewest changes will do."""
        allowed = [_firsts(foot) for foot in self._feet]
        start = self._near(allowed)
        return self._refined(start, enough, allowed, scarce=False)

    def _scarce(self, enough: float, unlimited: list[int]) -> tuple[list[int], bool]:
        """Choose where some size would run out: packs of the same height are not alike then.

        Nothing is nearer than what could be had if nothing ran out, so the search begins there, and widens until something
        is possible.
        """
        allowed = [np.arange(len(foot.heights)) for foot in self._feet]
        bound, start = max(self._worst(unlimited), enough), self._standing()
        found = self._program(bound, allowed, scarce=True, fewest=True)
        if found is not None:
            return found
        while bound < self._worst(start):
            bound = max(bound * _WIDER, 10.0 * _SAME)
            found = self._program(bound, allowed, scarce=True, fewest=True)
            if found is not None:
                start = found[0]
                break
        return self._refined(start, enough, allowed, scarce=True)

    def _refined(
        self, start: list[int], enough: float, allowed: list[_Ints], *, scarce: bool
    ) -> tuple[list[int], bool]:
        """Make the deviation of a choice least, then its changes."""
        bound, proven = self._worst(start), True
        if bound > enough + _SAME:
            found = self._program(bound, allowed, scarce=scarce, fewest=False)
            proven = found is not None and found[1]
            if found is not None and self._worst(found[0]) < bound:
                start, bound = found[0], self._worst(found[0])
        found = self._program(max(bound, enough), allowed, scarce=scarce, fewest=True)
        return (start, False) if found is None else (found[0], found[1] and proven)

    def _standing(self) -> list[int]:
        """Return what is there now, for which there are always shims enough."""
        return [int(np.flatnonzero(foot.changes == 0)[0]) for foot in self._feet]

    def _near(self, allowed: list[_Ints]) -> list[int]:
        """Return a good choice, to start from: each foot's nearest pack, then pairs of feet together while that helps."""
        off = [foot.heights[a] - w for foot, a, w in zip(self._feet, allowed, self._wanted, strict=True)]
        at = [int(np.abs(o).argmin()) for o in off]
        error = np.array([o[i] for o, i in zip(off, at, strict=True)])
        worst, better = self._deviation(error), True
        while better:
            better = False
            for f, g in combinations(range(len(self._feet)), 2):
                near_f, near_g = (
                    np.flatnonzero(np.abs(off[k]) <= worst * self._reach[k] + _SAME) for k in (f, g)
                )
                rest = self._rows @ error - self._rows[:, f] * error[f] - self._rows[:, g] * error[g]
                by_f = rest[:, None] + np.outer(self._rows[:, f], off[f][near_f])
                both = by_f[:, :, None] + np.outer(self._rows[:, g], off[g][near_g])[:, None, :]
                sizes = np.abs(both).max(axis=0)
                if sizes.size and sizes.min() < worst - _SAME:
                    i, j = np.unravel_index(int(sizes.argmin()), sizes.shape)
                    at[f], at[g] = int(near_f[i]), int(near_g[j])
                    error[f], error[g] = off[f][at[f]], off[g][at[g]]
                    worst, better = self._deviation(error), True
        return [int(a[i]) for a, i in zip(allowed, at, strict=True)]

    def _worst(self, chosen: list[int]) -> float:
        return self._deviation(
            np.array([f.heights[i] for f, i in zip(self._feet, chosen, strict=True)]) - self._wanted
        )

    def _deviation(self, error: FloatArray) -> float:
        return float(np.abs(self._rows @ error).max())

    def _program(
        self, bound: float, allowed: list[_Ints], *, scarce: bool, fewest: bool
    ) -> tuple[list[int], bool] | None:
        """Choose among the packs that can be part of a choice no worse than the bound."""
        slack = bound + _SAME
        columns = [
            a[np.abs(foot.heights[a] - w) <= slack * reach + _SAME]
            for foot, a, w, reach in zip(self._feet, allowed, self._wanted, self._reach, strict=True)
        ]
        blocks = [
            np.outer(self._rows[:, f], self._feet[f].heights[c] - self._wanted[f])
            for f, c in enumerate(columns)
        ]
        deviations, one = np.concatenate(blocks, axis=1), _one_each([len(c) for c in columns])
        n, size = deviations.shape
        up, down = np.full((n, 1), -1.0), np.full((n, 1), 1.0)
        rows = [np.hstack([deviations, up]), np.hstack([deviations, down]), np.pad(one, ((0, 0), (0, 1)))]
        low, high = (
            [np.full(n, -np.inf), np.zeros(n), np.ones(len(one))],
            [np.zeros(n), np.full(n, np.inf), np.ones(len(one))],
        )
        if scarce:
            used = [
                np.concatenate([self._used(f, s)[c] for f, c in enumerate(columns)]) for s in self._limited
            ]
            rows.append(np.pad(np.array(used, dtype=float), ((0, 0), (0, 1))))
            low.append(np.zeros(len(used)))
            high.append(np.array([float(self._there(s)) for s in self._limited]))
        cost = np.zeros(size + 1)
        if fewest:
            cost[:-1] = np.concatenate([self._feet[f].changes[c] for f, c in enumerate(columns)])
        else:
            cost[-1] = 1.0
        found = least_whole(
            cost,
            np.concatenate(rows),
            np.concatenate(low),
            np.concatenate(high),
            most=np.append(np.ones(size), slack),
            whole=np.append(np.ones(size), 0.0),
        )
        return None if found is None else (_picked(found, columns), found.proven)


def _firsts(foot: _Foot) -> _Ints:
    """Return, for every height, the pack with the fewest changes."""
    _, first = np.unique(foot.heights, return_index=True)
    return first.astype(np.int64)


def _one_each(sizes: list[int]) -> FloatArray:
    one = np.zeros((len(sizes), sum(sizes)))
    ends = np.cumsum([0, *sizes])
    for f, (start, end) in enumerate(pairwise(ends)):
        one[f, start:end] = 1.0
    return one


def _picked(found: Optimum, columns: list[_Ints]) -> list[int]:
    ends = np.cumsum([0, *map(len, columns)])
    return [
        int(c[int(found.x[start : start + len(c)].argmax())])
        for c, start in zip(columns, ends[:-1], strict=True)
    ]


def _told(
    planes: tuple[Plane, ...],
    feet: list[_Foot],
    chosen: list[int],
    criterion: Criterion | None,
    *,
    units: Units,
    proven: bool,
) -> ShimPlan:
    packs = tuple(_pack(foot, i, units) for foot, i in zip(feet, chosen, strict=True))
    error = np.array([p.error_m for p in packs]).reshape(-1, 2).mean(axis=1)
    offset, slope = (float(v) for v in _line(planes) @ error)
    share = None if criterion is None else float(np.abs(criterion.across @ np.array([offset, slope])).max())
    return ShimPlan(
        packs,
        sum(int(foot.changes[i]) for foot, i in zip(feet, chosen, strict=True)),
        max(abs(p.error_m) for p in packs),
        offset,
        slope,
        share,
        tuple(line for foot in feet for line in _short(foot, units)),
        proven,
    )


def _pack(foot: _Foot, index: int, units: Units) -> Pack:
    then = Counter({s: int(n) for s, n in zip(foot.sizes, foot.packs[index], strict=True) if n})
    now = Counter(foot.now)
    out, into = _thick_first(now - then), _thick_first(then - now)
    parts = [f"{verb} {_sum(sizes, units)}" for verb, sizes in (("take out", out), ("put in", into)) if sizes]
    height = int(foot.heights[index])
    return Pack(
        foot.name,
        arranged(_metres(_thick_first(then))),
        _metres(out),
        _metres(into),
        (height - sum(foot.now)) * _GRAIN_M,
        (height - foot.wanted) * _GRAIN_M,
        f"{foot.name}: {', '.join(parts) or 'leave as it is'}",
    )


def arranged(shims: Iterable[float]) -> tuple[float, ...]:
    """Return shims in the order they are laid: thick ones outside, thin ones between."""
    order = sorted(shims, reverse=True)
    return (*order[0::2], *reversed(order[1::2]))


def _thick_first(shims: Counter[int]) -> list[int]:
    return sorted(shims.elements(), reverse=True)


def _metres(grains: list[int]) -> tuple[float, ...]:
    return tuple(round(g * _GRAIN_M, 7) for g in grains)


def _sum(grains: list[int], units: Units) -> str:
    """Return thicknesses as they are printed on shims: mm, or thousandths of an inch."""
    return " + ".join(_size(g, units) for g in grains) + (" mm" if units == "mm" else " mil")


def _size(grains: float, units: Units) -> str:
    return f"{grains * _GRAIN_M * 1e3:.2f}" if units == "mm" else f"{round(grains * _GRAIN_M / 25.4e-6, 1):g}"


def _short(foot: _Foot, units: Units) -> Iterable[str]:
    """Say that a foot cannot be lowered or raised so far."""
    unit = "mm" if units == "mm" else "mil"
    least_g, most_g = int(foot.heights.min()), int(foot.heights.max())
    if foot.wanted < least_g - _SLIGHT_M / _GRAIN_M:
        missing, there = _size(least_g - foot.wanted, units), _size(sum(foot.now), units)
        yield f"{foot.name}: only {there} {unit} is under it, {missing} {unit} too little to come down as far as wanted"
    elif foot.wanted > most_g + _SLIGHT_M / _GRAIN_M:
        yield f"{foot.name}: {_size(foot.wanted - most_g, units)} {unit} more is wanted than the most shims allowed make up"
