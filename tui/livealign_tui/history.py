"""The last minute of values, for the strip chart: bounded, whatever the rate of snapshots."""

from collections import deque
from dataclasses import dataclass
from typing import TypeAlias

from livealign.snapshot import Plane, PlanePose, Snapshot

__all__ = [
    "SPAN_S",
    "History",
    "Point",
    "Series",
    "final_mm",
    "plane_pose",
    "series_names",
    "wanted_offset_mm",
]

SPAN_S = 60.0
_MOST = 1500
_SHORTEST_STEP_S = 0.04

Series: TypeAlias = str
"""What a chart follows: "offset", or the name of a foot plane."""


@dataclass(frozen=True, slots=True)
class Point:
    """One value with its standard uncertainty; None is a hole in the line."""

    time_s: float
    value_mm: float | None
    u_mm: float | None


def plane_pose(snapshot: Snapshot, plane: Plane) -> PlanePose:
    """Return one plane of the pose."""
    return snapshot.pose.vertical if plane == "vertical" else snapshot.pose.horizontal


def series_names(snapshot: Snapshot) -> tuple[Series, ...]:
    """Return what can be followed, the offset first."""
    return ("offset", *(foot.name for foot in snapshot.feet))


def wanted_offset_mm(snapshot: Snapshot, plane: Plane) -> float | None:
    """Return the offset at the coupling that the moves lead to: zero unless the job allows for growth.

    The moves at two foot planes, added to where the feet are now, are two points of the wanted axis.
    """
    pose = plane_pose(snapshot, plane)
    if pose.offset_mm is None or pose.slope_mm_per_m is None:
        return None
    ends: list[tuple[float, float]] = []
    for foot in snapshot.feet:
        move = foot.vertical_mm if plane == "vertical" else foot.horizontal_mm
        if move is not None:
            ends.append((foot.x_mm, move + pose.offset_mm + pose.slope_mm_per_m * foot.x_mm / 1000))
    if len(ends) < 2 or ends[0][0] == ends[-1][0]:
        return None
    (x1, y1), (x2, y2) = ends[0], ends[-1]
    return y1 - x1 * (y2 - y1) / (x2 - x1)


def final_mm(snapshot: Snapshot, plane: Plane, name: Series) -> float | None:
    """Return where a series is heading while the machine settles; None when nobody knows.

    A foot's move grows by what the shaft still falls at that foot.
    """
    heading = snapshot.settling
    if heading.final_offset_mm is None or plane != snapshot.plane:
        return None
    if name == "offset":
        return heading.final_offset_mm
    pose = plane_pose(snapshot, plane)
    slope = heading.final_slope_mm_per_m
    if slope is None or pose.offset_mm is None or pose.slope_mm_per_m is None:
        return None
    for foot in snapshot.feet:
        move = foot.vertical_mm if plane == "vertical" else foot.horizontal_mm
        if foot.name == name and move is not None:
            falls = pose.offset_mm - heading.final_offset_mm
            return move + falls + (pose.slope_mm_per_m - slope) * foot.x_mm / 1000
    return None


class History:
    """Values of both planes over the last minute."""

    def __init__(self) -> None:
        self._rows: deque[tuple[float, dict[tuple[Plane, Series], tuple[float | None, float | None]]]] = (
            deque(maxlen=_MOST)
        )

    @property
    def now_s(self) -> float:
        """Time of the newest values; 0 when there are none."""
        return self._rows[-1][0] if self._rows else 0.0

    def add(self, snapshot: Snapshot) -> None:
        """Keep the snapshot's values; a session that began again lets the old ones go."""
        now = snapshot.time_s
        if self._rows and now < self._rows[-1][0]:
            self._rows.clear()
        if self._rows and now - self._rows[-1][0] < _SHORTEST_STEP_S:
            return
        values: dict[tuple[Plane, Series], tuple[float | None, float | None]] = {}
        values["vertical", "offset"] = (snapshot.pose.vertical.offset_mm, snapshot.pose.vertical.offset_u_mm)
        values["horizontal", "offset"] = (
            snapshot.pose.horizontal.offset_mm,
            snapshot.pose.horizontal.offset_u_mm,
        )
        for foot in snapshot.feet:
            values["vertical", foot.name] = (foot.vertical_mm, foot.vertical_u_mm)
            values["horizontal", foot.name] = (foot.horizontal_mm, foot.horizontal_u_mm)
        self._rows.append((now, values))
        while self._rows[0][0] < now - SPAN_S:
            self._rows.popleft()

    def series(self, plane: Plane, name: Series) -> list[Point]:
        """Return one series, oldest first."""
        nothing = (None, None)
        return [Point(t, *values.get((plane, name), nothing)) for t, values in self._rows]
