"""From the person's two files to what the model needs, in SI units."""

from dataclasses import dataclass

import numpy as np

from livealign.advice.verdict import FLEX_PLANE_SOURCE, Criterion, flex_plane, offset_angle
from livealign.config.distances import positions
from livealign.config.job import FlexPlaneTolerance, Job
from livealign.config.rig import DetectorSpec, Rig
from livealign.config.tolerance import condition_words, offset_and_angle, source_words
from livealign.model.rig import Detector, FloatArray, RigModel, beta_covariance
from livealign.session.target import target_of
from livealign.session.wiring import Wiring, wire
from livealign.units import length_unit_m

__all__ = ["Setup", "build"]

_RIM_U = 0.2
"""Relative standard uncertainty of the radius of a rim that is taken for the coupling's."""


@dataclass
class Setup:
    """Everything a session is built from."""

    model: RigModel
    feet: tuple[str, ...]
    target: FloatArray
    """(4,) wanted pose."""
    target_cov: FloatArray
    """(4, 4) covariance of the growth it allows for."""
    criterion: Criterion
    wiring: Wiring


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

    target = target_of(job, points)
    wiring = wire(rig)
    zero_u = [float(np.radians(h.angle.zero_u_deg)) for h in rig.heads if h.angle is not None]
    detectors: list[Detector] = []
    specs = [d for h in rig.heads for d in h.detectors]
    # The errors of brackets and rims stand behind those of angle zeros, gains and points.
    sag_at = _indices(len(zero_u) + len(specs) + len(order), [d.kind != "light" for d in specs])
    rim_at = _indices(len(zero_u) + len(specs) + len(order) + len(sag_at), [d.kind == "rim" for d in specs])
    for index, head in enumerate(rig.heads):
        for spec in head.detectors:
            place = len(detectors)
            sensor = wiring.positions[place].sensor
            detectors.append(
                Detector(
                    name=wiring.positions[place].channel.name,
                    x_m=float(x_m[index]) + spec.depth_mm * 1e-3,
                    sign=1.0 if spec.kind == "face" or head.shaft == "stationary" else -1.0,
                    phase_rad=float(np.radians(spec.phase_deg)),
                    # Entered as the trade does: what an indicator zeroed at 12 o'clock shows at 6 on a stiff bar.
                    sag_m=-0.5e-3 * spec.polarity * spec.sag_mm,
                    noise_m=spec.noise_mm * 1e-3,
                    angle_noise_rad=wiring.angles[sensor].noise_rad,
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
        sensors=len(zero_u),
        feet_x_m=x_m[len(heads) :],
        feet_points=tuple(range(len(heads), len(heads) + len(feet))),
    )
    return Setup(
        model=model,
        feet=feet,
        target=target.pose,
        target_cov=target.cov,
        criterion=_criterion(job, unit_m),
        wiring=wiring,
    )


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
