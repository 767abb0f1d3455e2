"""A rig as it would be gathered, made of arrays: in order, or with faults that a test puts in."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from livealign.config.load import parse_rig
from livealign.config.rig import AngleSensor, DetectorSpec, Rig
from livealign.session.gathering import ChannelRecord, Gathered, LinkRecord, PairedRecord
from livealign.session.live.figures import at_rest
from livealign.session.live.finding import Finding
from livealign.session.live.judge import findings
from livealign.session.live.turn import turned
from livealign.session.wiring import PositionWiring, wire
from livealign.snapshot import CounterState, LinkStatus
from livealign.stream.channel import AngleChannel
from livealign.units import METRES, RADIANS

RIG = """
schema = "livealign.rig/1"
name = "two heads"
[[links]]
name = "S"
driver = { kind = "serial", port = "/dev/ttyS7", baud = 57600 }
format = { kind = "delimited", columns = ["count", "ms", "angle", "spot", "light", "battery"] }
clock = { field = "ms", unit = "ms", wrap_bits = 16 }
sequence = "count"
[[links]]
name = "M"
driver = { kind = "tcp", host = "head-m", port = 4000 }
format = { kind = "delimited", columns = ["angle", "spot", "light", "battery"] }
[[heads]]
name = "head S"
shaft = "stationary"
link = "S"
angle = { field = "angle", sense = "clockwise" }
[[heads.detectors]]
field = "spot"
unit = "um"
noise_mm = 0.002
range_mm = [-5, 5]
light_field = "light"
dim_below = 200
[[heads.auxiliary]]
name = "battery"
field = "battery"
unit = "V"
low = 3.3
[[heads]]
name = "head M"
shaft = "movable"
link = "M"
angle = { field = "angle", sense = "counterclockwise" }
[[heads.detectors]]
field = "spot"
unit = "um"
noise_mm = 0.002
range_mm = [-5, 5]
"""


@dataclass
class Shown:
    """What one link brings: set-points that a fault may change, then columns that it may spoil."""

    time_s: np.ndarray
    arrival_s: np.ndarray
    columns: dict[str, np.ndarray]
    counters: dict[str, int] = field(default_factory=dict)
    status: dict[str, Any] = field(default_factory=dict)

    def keep(self, rows: np.ndarray) -> None:
        self.time_s, self.arrival_s = self.time_s[rows], self.arrival_s[rows]
        self.columns = {name: values[rows] for name, values in self.columns.items()}

    def silence(self, state: str, detail: str = "") -> None:
        self.keep(np.zeros(self.time_s.size, dtype=bool))
        self.columns.clear()
        self.status = {"state": state, "detail": detail}


Fault = Callable[[dict[str, Shown]], None]


@dataclass
class Scene:
    """How a rig is, and how its shafts are held and turned."""

    rig: Rig = field(default_factory=lambda: parse_rig(RIG, "rig"))
    seed: int = 1
    rate_hz: float = 100.0
    seconds: float = 10.0
    start_deg: float = 40.0
    turn_deg: float = 40.0
    zero_deg: tuple[float, float] = (0.1, -0.1)
    noise: float = 1.0
    """Of the declared."""
    offset_mm: float = 0.4
    late_s: float = 0.004
    fault: Fault = lambda _: None

    def rest(self) -> Gathered:
        return self._gathered(0.0, 0)

    def turn(self) -> Gathered:
        return self._gathered(self.turn_deg, 1)

    def told(self, *, turn: bool = True) -> tuple[Finding, ...]:
        rest = at_rest(self.rig, self.rest())
        return findings(self.rig, rest, turned(self.rig, self.turn()) if turn else None)

    def _gathered(self, turn_deg: float, phase: int) -> Gathered:
        rng = np.random.default_rng([self.seed, phase])
        shown = {link.name: self._shown(link.name, turn_deg, rng) for link in self.rig.links}
        self.fault(shown)
        wiring = wire(self.rig)
        channels: dict[str, ChannelRecord] = {}
        paired: dict[str, PairedRecord] = {}
        for w in wiring.all():
            s, name = shown[w.link], w.channel.name
            if w.field not in s.columns:
                none, never = np.empty(0), np.empty(0, dtype=bool)
                channels[name] = ChannelRecord(
                    name, w.channel.kind, w.link, w.field, none, none, none, never, never, never, None
                )
                continue
            raw = s.columns[w.field]
            light = None
            clipped = dim = np.zeros(raw.size, dtype=bool)
            if isinstance(w, PositionWiring):
                light = s.columns.get(w.light_field) if w.light_field else None
                value, clipped, dim = w.channel.measured(raw, light)
                _, good = w.channel.take(s.time_s, raw, light, 1.0)
                angle = channels[wiring.angles[w.sensor].channel.name]
                at = np.interp(s.time_s, angle.time_s, angle.value) if angle.time_s.size else raw * np.nan
                both = good & np.isfinite(at)
                paired[name] = PairedRecord(s.time_s[both], at[both], value[both])
            elif isinstance(w.channel, AngleChannel):
                value = w.channel.take(s.time_s, raw, 1.0)
                good = np.isfinite(value)
            else:
                value = w.channel.shown(raw)
                good = np.isfinite(value)
            channels[name] = ChannelRecord(
                name, w.channel.kind, w.link, w.field, s.time_s, raw, value, good, clipped, dim, light
            )
        links = {link.name: self._link(link.name, shown[link.name]) for link in self.rig.links}
        return Gathered(0.0, self.seconds, channels, links, paired, ())

    def _shown(self, link: str, turn_deg: float, rng: np.random.Generator) -> Shown:
        n = int(self.rate_hz * self.seconds)
        time_s = np.arange(n) / self.rate_hz
        late = rng.exponential(self.late_s, n)
        arrival_s = np.maximum.accumulate(time_s + late)
        ease = (1.0 - np.cos(np.pi * np.clip((time_s - 1.0) / (self.seconds - 2.0), 0, 1))) / 2.0
        true_deg = self.start_deg + turn_deg * ease
        columns: dict[str, np.ndarray] = {
            "count": np.arange(n) % 2.0**16,
            "ms": np.floor(1e3 * time_s + 700) % 2.0**16,
            "light": rng.normal(900, 5, n),
            "battery": np.round(rng.normal(3.9, 0.01, n), 2),
        }
        for place, head in enumerate(self.rig.heads):
            if (angle := head.angle) and (angle.link or head.link) == link:
                columns[angle.field] = self._angle(angle, true_deg + self.zero_deg[place], rng)
            for spec in head.detectors:
                if (spec.link or head.link) == link:
                    columns[spec.field] = self._position(spec, true_deg, rng)
        return Shown(time_s, arrival_s, columns)

    def _angle(self, spec: AngleSensor, deg: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        deg = deg + rng.normal(0, self.noise * spec.noise_deg, deg.size)
        sign = 1.0 if spec.sense == "clockwise" else -1.0
        return np.round((sign * deg % 360.0) * RADIANS["deg"] / RADIANS[spec.unit], 3)

    def _position(self, spec: DetectorSpec, deg: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        mm = 0.3 + self.offset_mm * np.sin(np.radians(deg))
        mm = mm + rng.normal(0, self.noise * spec.noise_mm, deg.size)
        return np.round(mm * 1e-3 / METRES[spec.unit], 2)

    def _link(self, name: str, s: Shown) -> LinkRecord:
        spec = next(link for link in self.rig.links if link.name == name)
        counters = CounterState(**{"records": s.time_s.size, "bytes": 30 * s.time_s.size, **s.counters})
        status = LinkStatus(**{"name": name, "state": "open", "counters": counters, **s.status})
        counts = s.columns.get(spec.clock.field) if spec.clock else None
        return LinkRecord(name, s.time_s, s.arrival_s, counts, (), status, counters, tuple(sorted(s.columns)))


def with_heads(rig: Rig, **angle: Any) -> Rig:
    """The same with settings of head M's inclinometer changed."""
    heads = list(rig.heads)
    assert heads[1].angle is not None
    heads[1] = heads[1].model_copy(update={"angle": heads[1].angle.model_copy(update=angle)})
    return rig.model_copy(update={"heads": tuple(heads)})


def with_link(rig: Rig, at: int, **changed: Any) -> Rig:
    links = list(rig.links)
    links[at] = links[at].model_copy(update=changed)
    return rig.model_copy(update={"links": tuple(links)})


def scene(**changed: Any) -> Scene:
    return replace(Scene(), **changed)
