"""What the heads' sensors give for a pose and an angle: noise, gain, zero, clipping; no device around it."""

from dataclasses import dataclass, replace

import numpy as np

from livealign.config.job import Job
from livealign.config.rig import DetectorSpec, Rig
from livealign_simulators.contact import Plunger, touch_face, touch_rim
from livealign_simulators.disturbances import AngleFaults
from livealign_simulators.geometry import AxisLine, Floats
from livealign_simulators.gravity import specific_force
from livealign_simulators.heads import Stand
from livealign_simulators.trace import trace
from livealign_simulators.truth import MM_PER, AngleTruth, DetectorTruth, Truth, draw_truth

__all__ = [
    "Sweep",
    "bent",
    "raw_angle",
    "raw_axes",
    "raw_position",
    "sample_sweep",
    "stood_position_mm",
    "true_position_mm",
]

_BENT_STEPS = 30


@dataclass(frozen=True, slots=True)
class Sweep:
    """Readings as they are after the rig file's calibration, one for each angle that was asked for."""

    angles_deg: dict[str, Floats]
    """By head: 0 at 12 o'clock, clockwise, not wrapped."""
    readings_mm: dict[tuple[str, str], Floats]
    """By head and detector."""
    truth: Truth


def raw_angle(sensor: AngleTruth, angle_rad: Floats, noise_deg: Floats) -> Floats:
    """Return what the inclinometer says, in its unit, within one turn from 0."""
    spec = sensor.spec
    degrees = np.rad2deg(angle_rad) - sensor.zero_deg + noise_deg
    if spec.sense == "counterclockwise":
        degrees = -degrees
    degrees = degrees % 360.0
    return np.deg2rad(degrees) if spec.unit == "rad" else degrees


def raw_axes(
    sensor: AngleTruth, angle_rad: Floats, turning: tuple[Floats, Floats], faults: AngleFaults
) -> tuple[Floats, Floats]:
    """Return what its outward and its clockwise axis feel, in g, if it is an accelerometer; without noise.

    Args:
        sensor: the inclinometer; its zero and sense say how it sits in the head.
        angle_rad: of the head.
        turning: rate (rad/s) and its change (rad/s^2).
        faults: where it sits, and the errors of its axes.
    """
    out, along = specific_force(angle_rad, *turning, faults.radius_mm)
    zero = np.radians(sensor.zero_deg)
    out, along = out * np.cos(zero) - along * np.sin(zero), out * np.sin(zero) + along * np.cos(zero)
    if sensor.spec.sense == "counterclockwise":
        along = -along
    (first, second), (one, two) = faults.offsets_g, faults.scales
    return first + one * out, second + two * along


def raw_position(detector: DetectorTruth, true_mm: Floats) -> Floats:
    """Return what the position detector would say if it were straight, in its unit; beyond its range it stays at the end."""
    spec = detector.spec
    if spec.range_mm is not None:
        true_mm = np.clip(true_mm, *spec.range_mm)
    return spec.polarity * detector.gain * true_mm / MM_PER[spec.unit]


def true_position_mm(detector: DetectorTruth, movable: AxisLine, angle_rad: Floats) -> Floats:
    """Return where the spot or the plunger is, in mm from the detector's zero, with both shafts at one angle."""
    return stood_position_mm(detector, movable, Stand(angle_rad))


def stood_position_mm(
    detector: DetectorTruth,
    movable: AxisLine,
    mine: Stand,
    other: Stand | None = None,
    rim_mm: Floats | None = None,
) -> Floats:
    """Return where the spot or the plunger is, in mm from the detector's zero, as the heads stand.

    Args:
        detector: the detector.
        movable: the movable axis.
        mine: where the head with the detector is.
        other: where the light is; left out: at the same angle.
        rim_mm: runout of the rim that is touched.
    """
    sight = detector.sight
    if isinstance(sight, Plunger):
        plunger = replace(
            sight, aside_mm=sight.aside_mm + mine.clockwise_mm, outward_mm=sight.outward_mm + mine.outward_mm
        )
        if detector.spec.kind == "rim":
            return touch_rim(movable, mine.angle_rad, plunger, detector.shaft, rim_mm)
        return touch_face(movable, mine.angle_rad, plunger, detector.shaft)
    other = other or Stand(mine.angle_rad)
    outward, clockwise = trace(
        movable,
        mine.angle_rad,
        replace(
            sight.source,
            radius_mm=sight.source.radius_mm + other.outward_mm,
            aside_mm=sight.source.aside_mm + other.clockwise_mm,
        ),
        replace(
            sight.surface,
            radius_mm=sight.surface.radius_mm + mine.outward_mm,
            aside_mm=sight.surface.aside_mm + mine.clockwise_mm,
        ),
        detector.shaft,
        source_angle_rad=other.angle_rad,
    )
    mounting = np.radians(detector.spec.phase_deg)
    along: Floats = outward * np.cos(mounting) + clockwise * np.sin(mounting)
    return along


def bent(spec: DetectorSpec, straight: Floats) -> Floats:
    """Return the number of a sensor that is not straight, from what it should say; both in its unit."""
    if spec.linearity is None:
        return straight
    if spec.linearity.table is not None:
        return _back_through(np.array(spec.linearity.table), straight)
    # Newton's method from the straight part: the sensor is bent a little.
    true = np.polynomial.Polynomial(spec.linearity.polynomial or (0.0, 1.0))
    slope = true.deriv()
    raw: Floats = straight.copy()
    for _ in range(_BENT_STEPS):
        raw = raw - (true(raw) - straight) / slope(raw)
    return raw


def _back_through(points: Floats, true: Floats) -> Floats:
    """Return raw numbers by a table of (raw, true), its end pieces going on beyond it."""
    (first, second), (before, last) = points[:2], points[-2:]
    reach = 10.0
    far = np.array([first - reach * (second - first), *points, last + reach * (last - before)])
    order = np.argsort(far[:, 1])
    raw: Floats = np.interp(true, far[order, 1], far[order, 0])
    return raw


def sample_sweep(job: Job, rig: Rig, *, seed: int, pose: AxisLine, angles_deg: Floats) -> Sweep:
    """Read all sensors once at each angle, with a truth drawn from the seed.

    Distances, zeros and gains differ from what the files say by errors drawn from their stated uncertainties:
    many seeds show whether an estimate's uncertainty is honest. The same seed always gives the same readings.

    Args:
        job: the job, for the distances.
        rig: the sensors.
        seed: any whole number, not negative.
        pose: the movable axis, standing still.
        angles_deg: where both shafts are at each reading, shape (N,).

    Raises:
        PersonError: if the job and the rig do not go together.
    """
    hidden, noise = np.random.SeedSequence(seed).spawn(2)
    truth = draw_truth(job, rig, hidden)
    rng = np.random.default_rng(noise)
    angle_rad = np.deg2rad(np.asarray(angles_deg, dtype=float))
    return Sweep(
        {head: _told_deg(sensor, angle_rad, rng) for head, sensor in truth.angles.items()},
        {(d.head, d.spec.name): _told_mm(d, pose, angle_rad, rng) for d in truth.detectors},
        truth,
    )


def _told_deg(sensor: AngleTruth, angle_rad: Floats, rng: np.random.Generator) -> Floats:
    spec = sensor.spec
    raw = raw_angle(sensor, angle_rad, rng.normal(0.0, spec.noise_deg, angle_rad.shape))
    grown = np.rad2deg(raw) if spec.unit == "rad" else raw
    told = (grown if spec.sense == "clockwise" else -grown) + spec.zero_deg
    # A sweep is a running count of degrees: undo the wrapping by the known angle.
    return told + 360.0 * np.round((np.rad2deg(angle_rad) - told) / 360.0)


def _told_mm(detector: DetectorTruth, pose: AxisLine, angle_rad: Floats, rng: np.random.Generator) -> Floats:
    spec = detector.spec
    true_mm = true_position_mm(detector, pose, angle_rad)
    noisy = true_mm + rng.normal(0.0, spec.noise_mm, true_mm.shape)
    return raw_position(detector, noisy) * (spec.polarity * MM_PER[spec.unit] / spec.gain)
