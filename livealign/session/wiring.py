"""From the rig file to its streams: what reads each link, and which field of it is which channel."""

from dataclasses import dataclass

import numpy as np

from livealign.config.rig import (
    AngleSensor,
    Auxiliary,
    DetectorSpec,
    Electrodes,
    Gravity,
    Head,
    Link,
    Rig,
)
from livealign.errors import PersonError
from livealign.stream import linearity
from livealign.stream.auxiliary import AuxiliaryChannel
from livealign.stream.channel import AngleChannel, PositionChannel, PositionLimits
from livealign.stream.computed import Computation, angle_of_gravity, place_between_electrodes
from livealign.stream.reader import LinkReader
from livealign.stream.registry import format_class
from livealign.units import METRES, RADIANS

__all__ = ["AngleWiring", "AuxiliaryWiring", "PositionWiring", "Wiring", "wire"]


@dataclass
class AngleWiring:
    """An inclinometer and where its numbers come from."""

    link: str
    field: str
    channel: AngleChannel
    noise_rad: float
    """As declared."""


@dataclass
class PositionWiring:
    """A detector, where its numbers come from, and which inclinometer tells its angle."""

    link: str
    field: str
    light_field: str | None
    channel: PositionChannel
    sensor: int


@dataclass
class AuxiliaryWiring:
    """Something that tells how a head fares, and where its numbers come from."""

    link: str
    field: str
    channel: AuxiliaryChannel


@dataclass
class Wiring:
    """All streams of a rig, detectors in the order of the file."""

    readers: dict[str, LinkReader]
    angles: list[AngleWiring]
    positions: list[PositionWiring]
    auxiliary: list[AuxiliaryWiring]

    def all(self) -> "list[AngleWiring | PositionWiring | AuxiliaryWiring]":
        """Return every stream: angles, then positions, then what is not measured with."""
        return [*self.angles, *self.positions, *self.auxiliary]


def wire(rig: Rig) -> Wiring:
    """Build the streams of a rig; no job is needed for it.

    Raises:
        PersonError: if a detector has no inclinometer to tell its angle, or a format is not installed.
    """
    angles: list[AngleWiring] = []
    sensor_of: dict[str, int] = {}
    for head in rig.heads:
        if head.angle is not None:
            sensor_of[head.name] = len(angles)
            angles.append(_angle(head, head.angle))
    return Wiring(
        readers={link.name: _reader(link) for link in rig.links},
        angles=angles,
        positions=[
            _position(head, spec, _sensor_for(head, rig, sensor_of))
            for head in rig.heads
            for spec in head.detectors
        ],
        auxiliary=[_auxiliary(head, spec) for head in rig.heads for spec in head.auxiliary],
    )


def _angle(head: Head, spec: AngleSensor) -> AngleWiring:
    sense = 1.0 if spec.sense == "clockwise" else -1.0
    channel = AngleChannel(
        f"{head.name} angle",
        "deg",
        float(np.radians(max(spec.noise_deg, 1e-3))),
        scale=sense * RADIANS[spec.unit],
        zero_rad=float(np.radians(spec.zero_deg)),
    )
    return AngleWiring(spec.link or head.link, spec.field, channel, float(np.radians(spec.noise_deg)))


def _position(head: Head, spec: DetectorSpec, sensor: int) -> PositionWiring:
    least, greatest = spec.range_mm or (-np.inf, np.inf)
    limits = PositionLimits(
        least_m=least * 1e-3,
        greatest_m=greatest * 1e-3,
        dim_below=-np.inf if spec.dim_below is None else spec.dim_below,
    )
    channel = PositionChannel(
        f"{head.name} {spec.name}",
        "mm",
        spec.noise_mm * 1e-3,
        scale=spec.polarity * METRES[spec.unit] / spec.gain,
        limits=limits,
        linearity=_linearity(spec),
    )
    return PositionWiring(spec.link or head.link, spec.field, spec.light_field, channel, sensor)


def _linearity(spec: DetectorSpec) -> linearity.Linearity | None:
    bent = spec.linearity
    if bent is None:
        return None
    if bent.table is not None:
        return linearity.table(bent.table)
    return linearity.polynomial(bent.polynomial or ())


def _auxiliary(head: Head, spec: Auxiliary) -> AuxiliaryWiring:
    channel = AuxiliaryChannel(
        f"{head.name} {spec.name}",
        spec.unit,
        scale=spec.scale,
        offset=spec.offset,
        low=-np.inf if spec.low is None else spec.low,
        high=np.inf if spec.high is None else spec.high,
    )
    return AuxiliaryWiring(spec.link or head.link, spec.field, channel)


def _sensor_for(head: Head, rig: Rig, sensor_of: dict[str, int]) -> int:
    """Return the head's own inclinometer, or the only other one."""
    owner = head if head.angle is not None else next((h for h in rig.heads if h.angle is not None), None)
    if owner is None:
        raise PersonError(
            "no head has an angle sensor", where=rig.name, advice="Give one head a table [heads.angle]."
        )
    return sensor_of[owner.name]


def _reader(link: Link) -> LinkReader:
    decoder = format_class(link.format.kind)
    return LinkReader(
        decoder(decoder.options_model.model_validate(link.format.options)),
        clock=None if link.clock is None else (link.clock.field, link.clock.unit, link.clock.wrap_bits),
        sequence=None if link.sequence is None else (link.sequence, link.sequence_bits),
        nominal_rate_hz=link.nominal_rate_hz,
        device_time=link.driver.kind == "file",
        computed=[_computation(name, spec) for name, spec in link.computed.items()],
    )


def _computation(name: str, spec: Electrodes | Gravity) -> Computation:
    if isinstance(spec, Gravity):
        return angle_of_gravity(name, spec.outward, spec.clockwise, spec.offsets, spec.scales)
    return place_between_electrodes(
        name,
        spec.plus,
        spec.minus,
        spec.length,
        dark=spec.dark,
        full_scale=spec.full_scale,
        light=spec.sum,
    )
