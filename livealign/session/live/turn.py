"""What a rig shows while its shafts are turned a little: which way each head counts, and what follows the angle."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from livealign.config.rig import AngleSensor, DetectorSpec, Rig
from livealign.session.gathering import ChannelRecord, Gathered, PairedRecord
from livealign.session.live.figures import wired
from livealign.stream.contracts import Floats

__all__ = [
    "ENOUGH_DEG",
    "FAR_ENOUGH_DEG",
    "HeadTurned",
    "PairTurned",
    "PositionTurned",
    "TurnFigures",
    "turned",
]

ENOUGH_DEG = 5.0
"""A turn by less than this says nothing."""
FAR_ENOUGH_DEG = 15.0
"""Over a turn by so much a position changes, unless the shafts are in line."""
_AT_END = 10
"""Readings averaged at either end of the turn."""


@dataclass(frozen=True, slots=True)
class HeadTurned:
    """One inclinometer while the shafts are turned clockwise."""

    name: str
    head: str
    turned_deg: float
    """From start to end, clockwise as the rig file has it."""
    arc_deg: float
    """From the least to the greatest angle."""
    sense: Literal["clockwise", "counterclockwise"]
    """As declared."""

    @property
    def counts(self) -> Literal["clockwise", "counterclockwise"] | None:
        """Which way the raw number grows, if the shafts were turned clockwise; None if it was hardly turned."""
        if abs(self.turned_deg) < max(ENOUGH_DEG, 0.5 * self.arc_deg):
            return None
        if (self.sense == "clockwise") == (self.turned_deg > 0):
            return "clockwise"
        return "counterclockwise"


@dataclass(frozen=True, slots=True)
class PairTurned:
    """Two inclinometers on coupled shafts, turned together."""

    one: str
    other: str
    ratio: float | None
    """Degrees that the other counts for one degree of the one; None if nothing of it can be seen."""


@dataclass(frozen=True, slots=True)
class PositionTurned:
    """One detector while the shafts are turned."""

    name: str
    arc_deg: float
    """Of the angles that belong to it."""
    change_mm: float
    """From its least to its greatest reading, noise averaged away."""
    noise_mm: float
    scatter_mm: float
    """Of the readings around the smooth curve of the angle that fits them best."""
    constant: bool

    @property
    def follows(self) -> bool | None:
        """Does it follow the angle? None if it hardly changed: shafts nearly in line look like that too."""
        if self.change_mm < 5.0 * self.noise_mm:
            return None
        return self.scatter_mm < max(4.0 * self.noise_mm, 0.1 * self.change_mm)


@dataclass(frozen=True, slots=True)
class TurnFigures:
    """A rig while its shafts are turned."""

    seconds: float
    heads: tuple[HeadTurned, ...]
    pairs: tuple[PairTurned, ...]
    positions: tuple[PositionTurned, ...]

    @property
    def arc_deg(self) -> float:
        """How far the head that turned farthest did."""
        return max((h.arc_deg for h in self.heads), default=0.0)

    @property
    def known(self) -> bool:
        """Is it known of every head which way it counts?"""
        return all(h.counts is not None for h in self.heads)


def turned(rig: Rig, gathered: Gathered) -> TurnFigures:
    """Work out what the turn shows."""
    places = {w.name: w for w in wired(rig)}
    angles = [c for c in gathered.channels.values() if c.kind == "angle" and c.good.sum() >= 2 * _AT_END]
    heads = []
    for record in angles:
        place = places[record.name]
        if isinstance(place.spec, AngleSensor):
            smooth = _smooth(np.degrees(record.value[record.good]))
            heads.append(
                HeadTurned(
                    record.name,
                    place.head.name,
                    float(smooth[-1] - smooth[0]),
                    float(np.ptp(smooth)),
                    place.spec.sense,
                )
            )
    declared = {n: w.spec.noise_mm for n, w in places.items() if isinstance(w.spec, DetectorSpec)}
    return TurnFigures(
        seconds=gathered.end_s - gathered.start_s,
        heads=tuple(heads),
        pairs=tuple(_pairs(angles, heads)),
        positions=tuple(
            _position(n, pair, declared[n])
            for n, pair in gathered.paired.items()
            if pair.position_m.size >= 2 * _AT_END
        ),
    )


def _smooth(value: Floats) -> Floats:
    """Return means of a few readings each, in order."""
    means: Floats = value[: value.size - value.size % _AT_END].reshape(-1, _AT_END).mean(axis=1)
    return means


def _pairs(angles: list[ChannelRecord], heads: list[HeadTurned]) -> Iterator[PairTurned]:
    arcs = {h.name: h.arc_deg for h in heads}
    for other in angles[1:]:
        one = angles[0]
        if max(arcs[one.name], arcs[other.name]) < ENOUGH_DEG:
            continue
        time_s, value = one.time_s[one.good], one.value[one.good]
        there = (time_s >= other.time_s[other.good][0]) & (time_s <= other.time_s[other.good][-1])
        if there.sum() < 2 * _AT_END:
            continue
        a = value[there]
        b = np.interp(time_s[there], other.time_s[other.good], other.value[other.good])
        a, b = a - a.mean(), b - b.mean()
        # The one that moves more carries the slope: dividing by what stands still would give any ratio.
        less, more = float(a @ b), float(b @ b)
        ratio = less / float(a @ a) if a @ a >= b @ b else more / less if less else None
        yield PairTurned(one.name, other.name, ratio)


def _position(name: str, pair: PairedRecord, declared_mm: float) -> PositionTurned:
    position = pair.position_m * 1e3
    angle = pair.angle_rad
    smooth = _smooth(position)
    second = position[2:] - 2.0 * position[1:-1] + position[:-2]
    noise = max(float(np.sqrt(np.mean(second * second) / 6.0)), declared_mm)
    arc = float(np.degrees(np.ptp(_smooth(angle))))
    design = np.column_stack([np.ones(angle.size), np.cos(angle), np.sin(angle)])
    fit, *_ = np.linalg.lstsq(design, position, rcond=None)
    return PositionTurned(
        name,
        arc,
        float(np.ptp(smooth)),
        noise,
        float(np.std(position - design @ fit)),
        bool(position.min() == position.max()),
    )
