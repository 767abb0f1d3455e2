"""A machine on a bench, with its own formulas: plain facing heads that see where the other shaft's axis is.

It shares nothing with the estimator. Signs as everywhere: up and toward 3 o'clock, angles clockwise from 12 o'clock,
x from the coupling's centre toward the movable machine. Lengths in mm, slopes in mm/m.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from copy import deepcopy
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import numpy as np

from livealign.config.checklist import Checklist
from livealign.config.job import Job
from livealign.config.rig import Rig
from livealign.session.engine import Session
from livealign.session.events import Command, CommandName, Event, Tick
from livealign.snapshot import Plane, Pose, Snapshot
from livealign.stream.contracts import Frame, LinkEvent, LinkState
from livealign_drivers.delimited import DelimitedFormat, DelimitedOptions

RATE_HZ = 100
STEP_NS = 20_000_000
FEET = {"near feet": 330.0, "far feet": 750.0}
IN = 25.4


@dataclass(frozen=True)
class Line:
    """Where the movable axis is."""

    up: float = 0.0
    rise: float = 0.0
    right: float = 0.0
    swing: float = 0.0

    def at(self, x: float) -> tuple[float, float]:
        """Toward 3 o'clock, and up, in the plane x."""
        return self.right + self.swing * x / 1000, self.up + self.rise * x / 1000

    def moved(self, *, up: Sequence[float] = (0, 0), right: Sequence[float] = (0, 0)) -> "Line":
        """The line after its near and far feet have been moved."""
        x1, x2 = FEET.values()
        rise, swing = (1000 * (m[1] - m[0]) / (x2 - x1) for m in (up, right))
        return Line(
            self.up + up[0] - rise * x1 / 1000,
            self.rise + rise,
            self.right + right[0] - swing * x1 / 1000,
            self.swing + swing,
        )

    def toward(self, other: "Line", share: float) -> "Line":
        pairs = zip(self.parts(), other.parts(), strict=True)
        return Line(*(a + share * (b - a) for a, b in pairs))

    def parts(self) -> tuple[float, float, float, float]:
        return self.up, self.rise, self.right, self.swing


@dataclass(frozen=True)
class Detector:
    name: str = "position"
    kind: str = "light"
    axis: str = "radial"
    depth: float = 0.0
    sag: float = 0.0
    """What a stiff bar shows at 6 o'clock when zeroed at 12."""


@dataclass(frozen=True)
class Head:
    name: str
    shaft: str
    x: float
    detectors: tuple[Detector, ...] = (Detector(),)
    angle: bool = True
    aim: float = 0.2

    @property
    def columns(self) -> tuple[str, ...]:
        return ("count", "ms", *(["angle"] if self.angle else []), *(d.name for d in self.detectors))


FACING = (Head("head S", "stationary", -130.0), Head("head M", "movable", 130.0))


def rig_of(heads: Sequence[Head], *, clock: bool = True) -> Rig:
    """The rig file's model for such heads, each on a link of its own name."""
    timing: dict[str, Any] = {"clock": {"field": "ms", "unit": "ms", "wrap_bits": 16}} if clock else {}
    return Rig.model_validate(
        {
            "schema": "livealign.rig/1",
            "name": "bench",
            "links": [
                {
                    "name": h.name,
                    "driver": {"kind": "tcp", "host": "127.0.0.1", "port": 1},
                    "format": {"kind": "delimited", "columns": list(h.columns), "checksum": "xor8"},
                    "sequence": "count",
                    "sequence_bits": 16,
                    **timing,
                }
                for h in heads
            ],
            "heads": [
                {
                    "name": h.name,
                    "shaft": h.shaft,
                    "link": h.name,
                    **(
                        {"angle": {"field": "angle", "zero_u_deg": 0.05, "noise_deg": 0.05}}
                        if h.angle
                        else {}
                    ),
                    "detectors": [
                        {
                            "name": d.name,
                            "field": d.name,
                            "unit": "um",
                            "kind": d.kind,
                            "axis": d.axis,
                            "depth_mm": d.depth,
                            "sag_mm": d.sag,
                            "gain_u": 0.0005,
                        }
                        for d in h.detectors
                    ],
                }
                for h in heads
            ],
        }
    )


def job_of(
    heads: Sequence[Head] = FACING, *, units: str = "mm", feet: dict[str, float] | None = None, **more: Any
) -> Job:
    """The job file's model; lengths in its own units."""
    unit = IN if units == "inch" else 1.0
    feet = feet or FEET

    def distance(name: str, x: float) -> dict[str, Any]:
        ends = (name, "coupling") if x < 0 else ("coupling", name)
        return {"from": ends[0], "to": ends[1], "length": abs(x) / unit, "u": 0.2 / unit}

    return Job.model_validate(
        {
            "schema": "livealign.job/1",
            "name": "bench",
            "units": units,
            "machines": {"stationary": "pump", "movable": "motor", "shaft_speed_rpm": 1480.0},
            "coupling": {"diameter": 160.0 / unit, "flex_planes_apart": 100.0 / unit},
            "feet": [{"name": name} for name in feet],
            "distances": [
                *(distance(h.name, h.x) for h in heads),
                *(distance(name, x) for name, x in feet.items()),
            ],
            **more,
        }
    )


class _Wire:
    """One head's lines: numbered, stamped by a clock of its own, late by a little."""

    def __init__(self, number: int, head: Head, seed: int, clock_ppm: float) -> None:
        self.head = head
        self.rng = np.random.default_rng([seed, number])
        self.count = 65_000
        self.rate = 1.0 + clock_ppm * 1e-6
        self.format = DelimitedFormat(DelimitedOptions(columns=head.columns, checksum="xor8", decimals=3))

    def line(self, time_s: float, angle_deg: float, axis: Line, noise_um: float, tilt_deg: float) -> bytes:
        self.count += 1
        fields: dict[str, float] = {
            "count": self.count % 65536,
            "ms": math.floor(1000 * (time_s + 50.0 + self.head.x) * self.rate) % 65536,
            "angle": (angle_deg + float(self.rng.normal(0, tilt_deg))) % 360,
        }
        a = math.radians(angle_deg)
        for d in self.head.detectors:
            right, up = axis.at(self.head.x + d.depth)
            if self.head.shaft == "movable":
                right, up = -right, -up
            if d.axis == "radial":
                seen = right * math.sin(a) + up * math.cos(a) - d.sag / 2 * math.cos(a)
            else:
                seen = right * math.cos(a) - up * math.sin(a)
            fields[d.name] = 1000 * (self.head.aim + seen) + float(self.rng.normal(0, noise_um))
        return self.format.encode(fields)


@dataclass
class Course:
    """A session, the machine it watches, and what the person does."""

    job: Job
    heads: Sequence[Head] = FACING
    axis: Line = Line(up=0.30, rise=0.4, right=-0.15, swing=-0.2)
    noise_um: float = 1.0
    tilt_deg: float = 0.02
    seed: int = 1
    snapshots_per_s: float = 5.0
    clock: bool = True
    checklist: Checklist | None = None
    mangle: Callable[[str, bytes], bytes] | None = None
    """What the wire does to a line."""
    angle_deg: float = 0.0
    now_ns: int = 0
    events: list[Event] = field(default_factory=list)
    unplugged: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.session = Session(
            self.job,
            rig_of(self.heads, clock=self.clock),
            self.checklist,
            snapshots_per_s=self.snapshots_per_s,
        )
        ppm = (30.0, -20.0, 10.0, 0.0)
        self.wires = [_Wire(i, h, self.seed, ppm[i % 4]) for i, h in enumerate(self.heads)]
        for head in self.heads:
            self.link(head.name, "open")

    def feed(self, event: Event) -> Snapshot | None:
        self.events.append(event)
        return self.session.feed(event)

    def link(self, name: str, state: LinkState, detail: str = "", *, dropped: int = 0) -> Snapshot:
        snapshot = self.feed(LinkEvent(name, state, self.now_ns, detail, dropped))
        assert snapshot is not None
        if state == "open":
            self.unplugged.discard(name)
        else:
            self.unplugged.add(name)
        return snapshot

    def command(self, name: CommandName, **more: Any) -> Snapshot:
        command = Command(name, self.now_ns, **more)
        assert self.session.objection(command) is None
        snapshot = self.feed(command)
        assert snapshot is not None
        return snapshot

    def objection(self, name: CommandName, **more: Any) -> str:
        """Why it cannot be done; that nothing comes of it is checked too."""
        command = Command(name, self.now_ns, **more)
        said = self.session.objection(command)
        assert said is not None
        before, after = (self.feed(event) for event in (Command("hold", self.now_ns, on=False), command))
        assert before is not None
        assert after is not None
        assert replace(after, sequence=before.sequence) == before
        return said

    def play(self, seconds: float, *, turn_deg_s: float = 0.0, to: Line | None = None) -> Iterator[Snapshot]:
        """Let time pass while the shafts turn or the machine glides; yield the snapshots."""
        steps = max(1, round(seconds * 1e9 / STEP_NS))
        start = self.axis
        per_step = round(STEP_NS * RATE_HZ / 1e9)
        for step in range(steps):
            if to is not None:
                self.axis = start.toward(to, (step + 1) / steps)
            lines: list[list[bytes]] = [[] for _ in self.wires]
            for k in range(per_step):
                time_s = (self.now_ns + (k + 1) * STEP_NS / per_step) / 1e9
                self.angle_deg += turn_deg_s / RATE_HZ
                for out, wire in zip(lines, self.wires, strict=True):
                    out.append(wire.line(time_s, self.angle_deg, self.axis, self.noise_um, self.tilt_deg))
            self.now_ns += STEP_NS
            for out, wire in zip(lines, self.wires, strict=True):
                name = wire.head.name
                if name in self.unplugged:
                    continue
                payload = b"".join(self.mangle(name, one) if self.mangle else one for one in out)
                if payload:
                    late_ns = int(1e6 * (0.5 + wire.rng.exponential(1.0)))
                    snapshot = self.feed(Frame(name, payload, self.now_ns + late_ns))
                    if snapshot is not None:
                        yield snapshot
        if to is not None:
            self.axis = to

    def run(self, seconds: float, *, turn_deg_s: float = 0.0, to: Line | None = None) -> list[Snapshot]:
        return list(self.play(seconds, turn_deg_s=turn_deg_s, to=to))

    def tick(self, seconds: float) -> list[Snapshot]:
        """Let time pass while nothing comes."""
        got = []
        for _ in range(round(seconds * 1e9 / STEP_NS)):
            self.now_ns += STEP_NS
            got.append(self.feed(Tick(self.now_ns)))
        return [s for s in got if s is not None]

    def rotation(self, degrees: float = 380.0, speed_deg_s: float = 60.0) -> Snapshot:
        """Rest, turn and rest again within a rotation."""
        self.command("begin_rotation")
        self.run(0.5)
        self.run(degrees / speed_deg_s, turn_deg_s=speed_deg_s)
        self.run(0.5)
        return self.command("end_rotation")

    def park(self, angle_deg: float) -> None:
        """Turn on to an angle and stop there."""
        left = (angle_deg - self.angle_deg) % 360
        if left:
            seconds = max(0.5, round(left / 40.0, 2))
            self.run(seconds, turn_deg_s=left / seconds)


@cache
def _rotated(heads: tuple[Head, ...], axis: Line) -> Course:
    course = Course(job_of(heads), heads, axis=axis)
    course.rotation()
    return course


def adjusting(
    parked_deg: float, plane: Plane, heads: tuple[Head, ...] = FACING, axis: Line | None = None
) -> Course:
    """A course whose rotation is done, parked, and settled in `adjust`."""
    course = deepcopy(_rotated(heads, axis or Course.axis))
    course.park(parked_deg)
    course.command("adjust", plane=plane)
    course.run(2.0)
    return course


def assert_pose(pose: Pose, axis: Line, *, u_mm: float = 0.05) -> None:
    """The pose is the axis within three standard uncertainties, and those are not too large to mean anything."""
    v, h = pose.vertical, pose.horizontal
    got = (v.offset_mm, v.slope_mm_per_m, h.offset_mm, h.slope_mm_per_m)
    u = (v.offset_u_mm, v.slope_u_mm_per_m, h.offset_u_mm, h.slope_u_mm_per_m)
    for value, sd, true in zip(got, u, axis.parts(), strict=True):
        assert value is not None
        assert sd is not None
        assert 0.0 < sd < u_mm
        assert abs(value - true) < 3 * sd, (got, u, axis)


def assert_feet(snapshot: Snapshot, axis: Line, *, target: Line = Line()) -> None:
    """Every foot's move is from the axis to the target, within three standard uncertainties."""
    for foot in snapshot.feet:
        (right, up), (want_right, want_up) = axis.at(foot.x_mm), target.at(foot.x_mm)
        assert foot.vertical_mm is not None
        assert foot.vertical_u_mm is not None
        assert foot.horizontal_mm is not None
        assert foot.horizontal_u_mm is not None
        assert abs(foot.vertical_mm - (want_up - up)) < 3 * foot.vertical_u_mm
        assert abs(foot.horizontal_mm - (want_right - right)) < 3 * foot.horizontal_u_mm
