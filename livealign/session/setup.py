"""From the person's two files to what the stream and the model need, in SI units."""

from dataclasses import dataclass

import numpy as np

from livealign.advice.verdict import FLEX_PLANE_SOURCE, Criterion, flex_plane, offset_angle
from livealign.config.distances import positions
from livealign.config.job import FlexPlaneTolerance, Job
from livealign.config.rig import AngleSensor, DetectorSpec, Head, Link, Rig
from livealign.config.tolerance import condition_words, offset_and_angle, source_words
from livealign.errors import PersonError
from livealign.model.rig import Detector, FloatArray, RigModel, beta_covariance
from livealign.stream import linearity
from livealign.stream.channel import AngleChannel, PositionChannel, PositionLimits
from livealign.stream.reader import LinkReader
from livealign.stream.registry import format_class
from livealign.units import METRES, RADIANS, length_unit_m

__all__ = ["AngleWiring", "PositionWiring", "Setup", "build"]

_RIM_U = 0.2
"""Relative standard uncertainty of the radius of a rim that is taken for the coupling's."""


@dataclass
class AngleWiring:
    """An inclinometer and where its numbers come from."""

    link: str
    field: str
    channel: AngleChannel


@dataclass
class PositionWiring:
    """A detector, where its numbers come from, and which inclinometer tells its angle."""

    link: str
    field: str
    light_field: str | None
    channel: PositionChannel
    sensor: int


@dataclass
class Setup:
    """Everything a session is built from."""

    model: RigModel
    feet: tuple[str, ...]
    target: FloatArray
    """(4,) wanted pose."""
    target_cov: FloatArray
    """(4, 4) covariance of what it allows for."""
    criterion: Criterion
    readers: dict[str, LinkReader]
    angles: list[AngleWiring]
    positions: list[PositionWiring]


def build(job: Job, rig: Rig) -> Setup:
    """Work out the whole set-up.

    Raises:
        PersonError: if job and rig do not fit together.
    """
    unit_m = length_unit_m(job.units)
    heads = [h.name for h in rig.heads]
    feet = tuple(f.name for f in job.feet)
    points = positions(job, heads)
    order = [points.names.index(name) for name in [*heads, *feet]]
    x_m = points.x_m[order]
    cov = points.cov_m2[np.ix_(order, order)]

    angles: list[AngleWiring] = []
    sensor_of: dict[str, int] = {}
    zero_u: list[float] = []
    for head in rig.heads:
        if head.angle is not None:
            sensor_of[head.name] = len(angles)
            angles.append(_angle(head, head.angle))
            zero_u.append(float(np.radians(head.angle.zero_u_deg)))
    wirings: list[PositionWiring] = []
    detectors: list[Detector] = []
    specs = [d for h in rig.heads for d in h.detectors]
    # The errors of brackets and rims stand behind those of angle zeros, gains and points.
    sag_at = _indices(len(angles) + len(specs) + len(order), [d.kind != "light" for d in specs])
    rim_at = _indices(len(angles) + len(specs) + len(order) + len(sag_at), [d.kind == "rim" for d in specs])
    for index, head in enumerate(rig.heads):
        sensor, angle_noise = _sensor_for(head, rig, sensor_of)
        for spec in head.detectors:
            name, place = f"{head.name} {spec.name}", len(detectors)
            wirings.append(_position(head, spec, name, sensor))
            detectors.append(
                Detector(
                    name=name,
                    x_m=float(x_m[index]) + spec.depth_mm * 1e-3,
                    sign=1.0 if spec.kind == "face" or head.shaft == "stationary" else -1.0,
                    phase_rad=float(np.radians(spec.phase_deg)),
                    # Entered as the trade does: what an indicator zeroed at 12 o'clock shows at 6 on a stiff bar.
                    sag_m=-0.5e-3 * spec.polarity * spec.sag_mm,
                    noise_m=spec.noise_mm * 1e-3,
                    angle_noise_rad=angle_noise,
                    sensor=sensor,
                    point=index,
                    radius_m=_radius_m(job, spec) if spec.kind == "face" else None,
                    sag_beta=sag_at.get(place),
                    rim_m=_radius_m(job, spec) if spec.kind == "rim" else None,
                    rim_beta=rim_at.get(place),
                )
            )
    sag_u = [0.5e-3 * specs[i].sag_u_mm for i in sag_at]
    rim_u = [_radius_u(specs[i]) for i in rim_at]
    model = RigModel(
        detectors=tuple(detectors),
        beta_cov=beta_covariance(zero_u, [_gain_u(d) for d in specs], cov, sag_u, rim_u),
        sensors=len(angles),
        feet_x_m=x_m[len(heads) :],
        feet_points=tuple(range(len(heads), len(heads) + len(feet))),
    )
    return Setup(
        model=model,
        feet=feet,
        target=_target(job, unit_m),
        target_cov=_target_cov(job, unit_m),
        criterion=_criterion(job, unit_m),
        readers={link.name: _reader(link) for link in rig.links},
        angles=angles,
        positions=wirings,
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
    return AngleWiring(spec.link or head.link, spec.field, channel)


def _position(head: Head, spec: DetectorSpec, name: str, sensor: int) -> PositionWiring:
    least, greatest = spec.range_mm or (-np.inf, np.inf)
    limits = PositionLimits(
        least_m=least * 1e-3,
        greatest_m=greatest * 1e-3,
        dim_below=-np.inf if spec.dim_below is None else spec.dim_below,
    )
    scale = spec.polarity * METRES[spec.unit] / spec.gain
    channel = PositionChannel(
        name, "mm", spec.noise_mm * 1e-3, scale=scale, limits=limits, linearity=_linearity(spec)
    )
    return PositionWiring(spec.link or head.link, spec.field, spec.light_field, channel, sensor)


def _linearity(spec: DetectorSpec) -> linearity.Linearity | None:
    bent = spec.linearity
    if bent is None:
        return None
    if bent.table is not None:
        return linearity.table(bent.table)
    return linearity.polynomial(bent.polynomial or ())


def _indices(first: int, which: list[bool]) -> dict[int, int]:
    """Number the detectors that have something, from `first` on."""
    return {place: first + n for n, place in enumerate(i for i, has in enumerate(which) if has)}


def _radius_m(job: Job, spec: DetectorSpec) -> float:
    """Return the radius at which a face is touched, or that of a rim, which is the coupling's unless stated."""
    if spec.radius_mm is not None:
        return spec.radius_mm * 1e-3
    return job.coupling.diameter * length_unit_m(job.units) / 2.0


def _radius_u(spec: DetectorSpec) -> float:
    """Return the relative standard uncertainty of that radius."""
    return _RIM_U if spec.radius_mm is None else spec.radius_u_mm / spec.radius_mm


def _gain_u(spec: DetectorSpec) -> float:
    """Return the relative standard uncertainty of a gain; an error of a face indicator's radius does the same."""
    return float(np.hypot(spec.gain_u, _radius_u(spec))) if spec.kind == "face" else spec.gain_u


def _sensor_for(head: Head, rig: Rig, sensor_of: dict[str, int]) -> tuple[int, float]:
    """Return the head's own inclinometer, or the only other one, with its noise (rad)."""
    owner = head if head.angle is not None else next((h for h in rig.heads if h.angle is not None), None)
    if owner is None or owner.angle is None:
        raise PersonError(
            "no head has an angle sensor", where=rig.name, advice="Give one head a table [heads.angle]."
        )
    return sensor_of[owner.name], float(np.radians(owner.angle.noise_deg))


def _reader(link: Link) -> LinkReader:
    decoder = format_class(link.format.kind)
    return LinkReader(
        decoder(decoder.options_model.model_validate(link.format.options)),
        clock=None if link.clock is None else (link.clock.field, link.clock.unit, link.clock.wrap_bits),
        sequence=None if link.sequence is None else (link.sequence, link.sequence_bits),
        nominal_rate_hz=link.nominal_rate_hz,
        device_time=link.driver.kind == "file",
    )


def _criterion(job: Job, unit_m: float) -> Criterion:
    t, speed = job.tolerance, job.machines.shaft_speed_rpm
    if isinstance(t, FlexPlaneTolerance):
        apart_m, limit = job.coupling.flex_planes_apart * unit_m, t.limit_mm_per_m
        source = FLEX_PLANE_SOURCE if limit == 0.5 else f"rule of {FLEX_PLANE_SOURCE}, which states 0.5 mm/m"
        return flex_plane(apart_m, limit * 1e-3, source, job.units, t.guard_band)
    offset, angle = offset_and_angle(t, speed)
    return offset_angle(
        offset * unit_m,
        angle * 1e-3,
        source_words(t, job.units),
        job.units,
        name=t.rule,
        condition=condition_words(t, speed),
        guard=t.guard_band,
    )


def _target_cov(job: Job, unit_m: float) -> FloatArray:
    t = job.target
    u = [
        t.horizontal_offset_u * unit_m,
        t.horizontal_slope_u_mm_per_m * 1e-3,
        t.vertical_offset_u * unit_m,
        t.vertical_slope_u_mm_per_m * 1e-3,
    ]
    return np.diag(np.square(u))


def _target(job: Job, unit_m: float) -> FloatArray:
    t = job.target
    return np.array(
        [
            t.horizontal_offset * unit_m,
            t.horizontal_slope_mm_per_m * 1e-3,
            t.vertical_offset * unit_m,
            t.vertical_slope_mm_per_m * 1e-3,
        ]
    )
