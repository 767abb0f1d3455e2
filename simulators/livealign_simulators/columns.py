"""The fields of a link's records as its sensors give them: from where the heads are to raw numbers."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from livealign.config.rig import Auxiliary, DetectorSpec, Electrodes, Gravity, Link
from livealign_simulators.contact import Plunger
from livealign_simulators.geometry import AxisLine, Floats
from livealign_simulators.gravity import shown_angle
from livealign_simulators.noise import Ar1, Flicker, White
from livealign_simulators.optics import Seen, electrode_shares
from livealign_simulators.scene import Scene
from livealign_simulators.sensing import bent, raw_angle, raw_axes, raw_position, stood_position_mm
from livealign_simulators.trace import Shaft
from livealign_simulators.truth import AngleTruth, DetectorTruth

__all__ = ["Column", "DimLight", "Samples", "link_columns"]

_DECIMALS = {"deg": 2, "rad": 4, "mm": 4, "um": 1, "in": 6, "mil": 3}
_LIGHT = 900.0
_LIGHT_NOISE = 12.0
_DIM_SHARE = 0.3
_DIM_NOISE_FACTOR = 50.0
_OF_FULL_SCALE = 0.8
_COUNTS = 100.0
"""Numbers this large come from a converter, and are whole."""


@dataclass(frozen=True, slots=True)
class Samples:
    """A stretch of samples: their numbers, times and the movable axis at each."""

    first: int
    end: int
    time_s: Floats
    line: AxisLine


Column = Callable[[Samples], dict[str, Floats]]
"""Samples to the raw values of one field or more."""

DimLight = Callable[[], bool]
"""Whether hardly any light reaches the detectors just now."""


def link_columns(
    scene: Scene, link: Link, period_s: float, seed: np.random.SeedSequence, dim: DimLight
) -> list[Column]:
    """Return all sensors on a link. Their noise belongs to the sample's number, whatever the stretches."""
    owners = {h.name: h.link for h in scene.rig.heads}
    angles = [
        (head, a) for head, a in scene.truth.angles.items() if link.name == (a.spec.link or owners[head])
    ]
    detectors = [d for d in scene.truth.detectors if link.name == (d.spec.link or owners[d.head])]
    made = [_angle(scene, link, head, sensor, seed) for head, sensor in angles]
    electrodes: dict[frozenset[str], list[_Place]] = {}
    for detector in detectors:
        place = _Place(scene, detector, period_s, seed, dim)
        wiring = link.computed.get(detector.spec.field)
        if isinstance(wiring, Electrodes):
            electrodes.setdefault(frozenset(wiring.plus + wiring.minus), []).append(place)
        else:
            made.append(_position(place, White(seed.spawn(1)[0])))
    made += [_currents(link, places) for places in electrodes.values()]
    shown = [(h.name, a) for h in scene.rig.heads for a in h.auxiliary if (a.link or h.link) == link.name]
    return [*made, *(_auxiliary(scene, head, a) for head, a in shown)]


def _angle(scene: Scene, link: Link, head: str, sensor: AngleTruth, seed: np.random.SeedSequence) -> Column:
    faults, spec = scene.heads.angle_faults(head), sensor.spec
    noise, second = White(seed.spawn(1)[0]), White(seed.spawn(1)[0])
    wiring = link.computed.get(spec.field)

    def felt(time_s: Floats) -> tuple[Floats, Floats]:
        angle = scene.heads.stand(head, time_s).angle_rad
        return raw_axes(sensor, angle, scene.heads.turning(head, time_s), faults)

    def axes(s: Samples) -> dict[str, Floats]:
        if not isinstance(wiring, Gravity):
            raise TypeError(wiring)
        small = np.radians(spec.noise_deg)
        values = {}
        for name, force, source, offset, scale in zip(
            (wiring.outward, wiring.clockwise),
            felt(s.time_s - faults.delay_s),
            (noise, second),
            wiring.offsets,
            wiring.scales,
            strict=True,
        ):
            sign = -1.0 if name.startswith("-") else 1.0
            raw = offset + sign * scale * (force + small * source.at(s.first, s.end))
            values[name.removeprefix("-")] = _as_told(raw, scale)
        return values

    def angle(s: Samples) -> dict[str, Floats]:
        time_s = s.time_s - faults.delay_s
        shown = scene.heads.stand(head, time_s).angle_rad
        if faults.radius_mm or faults.offsets_g != (0.0, 0.0) or faults.scales != (1.0, 1.0):
            straight = AngleTruth(spec.model_copy(update={"sense": "clockwise"}), 0.0)
            out, along = raw_axes(straight, shown, scene.heads.turning(head, time_s), faults)
            shown = shown_angle(out, along, shown)
        raw = raw_angle(sensor, shown, spec.noise_deg * noise.at(s.first, s.end))
        return {spec.field: np.round(raw, _DECIMALS[spec.unit])}

    return axes if isinstance(wiring, Gravity) else angle


class _Place:
    """Where a detector sees its spot, or what its plunger shows, and how bright it is."""

    def __init__(
        self,
        scene: Scene,
        detector: DetectorTruth,
        period_s: float,
        seed: np.random.SeedSequence,
        dim: DimLight,
    ) -> None:
        self.detector = detector
        self.dim = dim
        self._scene = scene
        white, drift, flicker = seed.spawn(3)
        slow = scene.disturbances.slow_noise
        self._white = White(white)
        self._slow = [
            (size, source)
            for size, source in (
                (slow.drift_mm, Ar1(drift, slow.memory_s / period_s)),
                (slow.flicker_mm, Flicker(flicker)),
            )
            if size
        ]

    def raw(self, s: Samples) -> tuple[Floats, Floats]:
        """Return the raw number before rounding, in the detector's unit, and the light relative to a bright spot's."""
        seen = self._seen(s)
        noise = self.detector.spec.noise_mm * self._white.at(s.first, s.end)
        noise = noise * (_DIM_NOISE_FACTOR if self.dim() else seen.noise_factor)
        for size, source in self._slow:
            noise = noise + size * source.at(s.first, s.end)
        return bent(self.detector.spec, raw_position(self.detector, seen.place_mm + noise)), seen.light

    def _seen(self, s: Samples) -> Seen:
        heads, detector, sight = self._scene.heads, self.detector, self.detector.sight
        mine = heads.stand(detector.head, s.time_s)
        across: Shaft = "movable" if detector.shaft == "stationary" else "stationary"
        if isinstance(sight, Plunger):
            place = stood_position_mm(detector, s.line, mine, rim_mm=heads.rim_mm(across, s.time_s))
            even = np.ones(place.shape)
            return Seen(place, even, even)
        lamp = sight.source_head
        other = heads.stand(lamp, s.time_s) if lamp else heads.light(across, s.time_s)
        place = stood_position_mm(detector, s.line, mine, other)
        light, factor = np.empty(place.shape), np.empty(place.shape)
        for part, optics in heads.optics[detector.head].pieces(s.time_s):
            seen = optics.seen(place[part])
            place[part], light[part], factor[part] = seen.place_mm, seen.light, seen.noise_factor
        return Seen(place, light, factor)


def _position(place: _Place, light_noise: White) -> Column:
    spec = place.detector.spec

    def column(s: Samples) -> dict[str, Floats]:
        raw, light = place.raw(s)
        values = {spec.field: np.round(raw, _DECIMALS[spec.unit])}
        if spec.light_field is not None:
            level = _level(spec, place) * light + _LIGHT_NOISE * light_noise.at(s.first, s.end)
            values[spec.light_field] = np.maximum(np.round(level), np.float64(0.0))
        return values

    return column


def _currents(link: Link, places: list[_Place]) -> Column:
    """Return the electrodes of one detecting surface: two of one axis, or those that two axes share."""
    wirings = [w for p in places if isinstance(w := link.computed[p.detector.spec.field], Electrodes)]
    shared = len(places) > 1

    def column(s: Samples) -> dict[str, Floats]:
        shares: dict[str, Floats] = {}
        for place, wiring in zip(places, wirings, strict=True):
            raw, light = place.raw(s)
            level = _electrode_level(place, wiring) * light
            for fields, share in zip(
                (wiring.plus, wiring.minus), electrode_shares(raw, wiring.length), strict=True
            ):
                for name in fields:
                    each = share if shared else share / len(fields)
                    shares[name] = shares[name] * each if name in shares else level * each
        return {name: _as_converted(shares[name], wirings[0]) for name in shares}

    return column


def _as_converted(current: Floats, wiring: Electrodes) -> Floats:
    if wiring.full_scale is None:
        return np.round(current + wiring.dark, 3)
    return np.clip(np.round(current + wiring.dark), 0.0, wiring.full_scale)


def _electrode_level(place: _Place, wiring: Electrodes) -> float:
    level = _level(place.detector.spec, place)
    if wiring.full_scale is None or place.dim():
        return level
    return _OF_FULL_SCALE * (wiring.full_scale - wiring.dark)


def _level(spec: DetectorSpec, place: _Place) -> float:
    """Return the light number of a bright spot, or of a dim one."""
    least = spec.dim_below if spec.dim_below is not None and spec.dim_below > 0 else _LIGHT / 4
    return _DIM_SHARE * least if place.dim() else max(_LIGHT, 4 * least)


def _auxiliary(scene: Scene, head: str, spec: Auxiliary) -> Column:
    """Return a number that is in order and stays so, unless somebody has another one shown."""
    limits = [x for x in (spec.low, spec.high) if x is not None]
    well = sum(limits) / len(limits) if limits else 20.0
    if spec.low is not None and spec.high is None:
        well += 0.1 * abs(spec.low) + 1e-6
    elif spec.high is not None and spec.low is None:
        well -= 0.1 * abs(spec.high) + 1e-6
    told = scene.heads.shows(head, spec.name)

    def column(s: Samples) -> dict[str, Floats]:
        shown = told.spread(s.time_s, lambda value: well if value is None else value)
        raw = (shown - spec.offset) / spec.scale if spec.scale else np.zeros(shown.shape)
        return {spec.field: np.round(raw, 4)}

    return column


def _as_told(raw: Floats, scale: float) -> Floats:
    return np.round(raw) if scale >= _COUNTS else np.round(raw, 6)
