"""What is allowed but doubtful in a rig, alone and together with the job's distances."""

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Literal

from livealign.config.distances import Positions, detector_planes
from livealign.config.job import Job
from livealign.config.rig import DetectorSpec, Head, Link, Rig
from livealign.units import distance_words, length_unit_m, show_length

__all__ = ["Doubt", "rig_doubts", "together_doubts"]

_NEAREST_PLANES_M = 0.05
_LONG_LEVER = 5.0
"""Reach of the farthest foot over the detectors' span, above which their errors grow too much."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something allowed that is probably not meant, or not wise."""

    file: Literal["job", "rig"]
    key: str
    """Where in the file, items counted from 1."""
    what: str
    advice: str

    def __str__(self) -> str:
        return f"{self.file}, {self.key}: {self.what}. {self.advice}"

    def as_dict(self) -> dict[str, str]:
        """Return the same as plain values, for JSON."""
        return asdict(self)


def rig_doubts(rig: Rig) -> Iterator[Doubt]:
    """Yield what is doubtful in a rig by itself."""
    for i, link in enumerate(rig.links):
        yield from _link_doubts(f"links[{i + 1}]", link)
    for i, head in enumerate(rig.heads):
        yield from _angle_doubts(f"heads[{i + 1}].angle", head)
        for k, detector in enumerate(head.detectors):
            yield from _detector_doubts(f"heads[{i + 1}].detectors[{k + 1}]", head, detector)
    yield from _shaft_doubts(rig)
    yield from _same_channel_doubts(rig)


def _link_doubts(key: str, link: Link) -> Iterator[Doubt]:
    if link.clock is not None or (link.sequence is not None and link.nominal_rate_hz is not None):
        return
    if link.driver.kind != "file":
        what = f'link "{link.name}" carries no clock of its device, so arrival times serve, with their jitter'
        advice = (
            "Have the device send its milliseconds, name the field under clock, and turn slowly until then."
        )
        yield Doubt("rig", f"{key}.clock", what, advice)
    elif link.nominal_rate_hz is None:
        what = (
            f'link "{link.name}" reads a file that tells neither a clock nor a rate, so its times are unknown'
        )
        yield Doubt("rig", key, what, "Give it a clock, or nominal_rate_hz.")


def _angle_doubts(key: str, head: Head) -> Iterator[Doubt]:
    angle = head.angle
    if angle is None:
        return
    if angle.zero_u_deg == 0:
        what = f'the angle zero of "{head.name}" is said to be exact'
        yield Doubt(
            "rig", f"{key}.zero_u_deg", what, "Write how well it was set against a level: 0.2 is usual."
        )
    elif angle.zero_u_deg > 3:
        what = f'the angle zero of "{head.name}" is uncertain by {angle.zero_u_deg:g} deg'
        yield Doubt(
            "rig",
            f"{key}.zero_u_deg",
            what,
            "Set it against a level: it mixes up and down with side to side.",
        )
    if angle.noise_deg == 0:
        what = f'the angle of "{head.name}" is said to have no noise'
        yield Doubt("rig", f"{key}.noise_deg", what, "Write what it shows when nothing moves: 0.05 is usual.")
    elif angle.noise_deg > 2:
        what = f'the angle of "{head.name}" is noisy by {angle.noise_deg:g} deg'
        yield Doubt("rig", f"{key}.noise_deg", what, "Check it; average in the device.")


def _detector_doubts(key: str, head: Head, d: DetectorSpec) -> Iterator[Doubt]:
    who = f'"{d.name}" of "{head.name}"'
    if not 0.5 <= d.gain <= 2:
        what = f"{who} is said to change by {d.gain:g} for every 1 of true change"
        yield Doubt("rig", f"{key}.gain", what, "If only the unit differs, set unit instead.")
    if d.gain_u == 0:
        yield Doubt(
            "rig", f"{key}.gain_u", f"the gain of {who} is said to be exact", "0.002 is a good calibration."
        )
    elif d.gain_u > 0.1:
        what = f"the gain of {who} is uncertain by {d.gain_u:.0%}"
        yield Doubt("rig", f"{key}.gain_u", what, "Calibrate it against a known displacement.")
    if not 1e-4 <= d.noise_mm <= 0.1:
        what = f"{who} is said to have a noise of {d.noise_mm:g} mm"
        yield Doubt(
            "rig", f"{key}.noise_mm", what, "Watch it while nothing moves: 0.001 to 0.02 mm is usual."
        )
    if d.range_mm is not None and d.range_mm[1] - d.range_mm[0] < 2:
        span = d.range_mm[1] - d.range_mm[0]
        what = f"{who} sees {span:g} mm in all; an offset of {span / 2:g} mm drives it from end to end"
        yield Doubt(
            "rig", f"{key}.range_mm", what, "Align roughly first, or check the numbers: they are in mm."
        )
    if d.light_field is not None and d.dim_below is None:
        what = f"the light of {who} is read but never judged"
        yield Doubt(
            "rig", f"{key}.dim_below", what, "Set dim_below to the least light at which it reads well."
        )
    if d.radius_mm is not None and not 10 <= d.radius_mm <= 1000:
        what = f"{who} is said to touch the other shaft {d.radius_mm:g} mm from its axis"
        yield Doubt("rig", f"{key}.radius_mm", what, "Check it: it is a radius, in mm.")
    yield from _sag_doubts(key, who, d)


def _sag_doubts(key: str, who: str, d: DetectorSpec) -> Iterator[Doubt]:
    if abs(d.sag_mm) > 0.5:
        what = f"the bracket of {who} sags by {d.sag_mm:g} mm"
        yield Doubt("rig", f"{key}.sag_mm", what, "Stiffen it, or check the number.")
    if d.kind == "rim" and d.polarity * d.sag_mm > 0:
        what = f"{who} is said to be pushed in farther at 6 o'clock than at 12 on a stiff bar, by its bracket's sag"
        advice = (
            "A bracket droops the other way; check the sign of sag_mm: zeroed at 12, what does it show at 6?"
        )
        yield Doubt("rig", f"{key}.sag_mm", what, advice)


def _shaft_doubts(rig: Rig) -> Iterator[Doubt]:
    seeing = [h for h in rig.heads if h.detectors]
    if len(seeing) > 1 and len({h.shaft for h in seeing}) == 1:
        what = f"all heads with detectors are said to ride on the {seeing[0].shaft} shaft"
        yield Doubt(
            "rig", "heads", what, "If one of them is on the other shaft, its readings would count backwards."
        )


def _same_channel_doubts(rig: Rig) -> Iterator[Doubt]:
    first: dict[tuple[str, str], str] = {}
    for i, head in enumerate(rig.heads):
        for k, d in enumerate(head.detectors):
            channel = (d.link or head.link, d.field)
            who = f'"{d.name}" of "{head.name}"'
            if channel in first:
                what = f'{who} reads field "{d.field}" of link "{channel[0]}", as {first[channel]} does'
                yield Doubt(
                    "rig", f"heads[{i + 1}].detectors[{k + 1}].field", what, "Two detectors need two fields."
                )
            first.setdefault(channel, who)


def together_doubts(job: Job, rig: Rig, where: Positions) -> Iterator[Doubt]:
    """Yield what is doubtful in a rig on a job's machines."""
    radii = [d.radius_mm * 1e-3 for h in rig.heads for d in h.detectors if d.kind == "face" and d.radius_mm]
    seeing = [d.kind != "face" for h in rig.heads for d in h.detectors]
    xs = [p.x_m for p, sees in zip(detector_planes(rig, where), seeing, strict=True) if sees]
    yield from _side_doubts(rig, where)
    if not seeing:
        return
    if not xs:
        what = "indicators on a face see the slope only: the offset and the feet cannot be told"
        yield Doubt("rig", "heads", what, "Add an indicator on a rim, or a light detector.")
        return
    # An indicator on a face tells a slope as well as two detectors that stand its radius apart.
    span = max(max(xs) - min(xs), *radii, 0.0)
    yield from _span_doubts(job, xs, span, where)
    flex = job.coupling.flex_planes_apart * length_unit_m(job.units)
    if len(xs) > 1 and not radii and flex > span:
        what = (
            f"the flex planes are {distance_words(flex, job.units)} apart, "
            f"farther than the detectors ({distance_words(span, job.units)})"
        )
        yield Doubt("job", "coupling.flex_planes_apart", what, "Check it, or set the heads farther apart.")


def _side_doubts(rig: Rig, where: Positions) -> Iterator[Doubt]:
    for i, head in enumerate(rig.heads):
        if head.detectors and all(d.kind != "light" for d in head.detectors):
            continue  # its bracket reaches over to the other shaft
        x = where.x(head.name)
        if (head.shaft == "stationary" and x > 0) or (head.shaft == "movable" and x < 0):
            side = "movable" if x > 0 else "stationary"
            what = f'"{head.name}" is on the {head.shaft} shaft, yet its mark is on the {side} side'
            yield Doubt(
                "rig", f"heads[{i + 1}]", what, "Check shaft here; check from and to of its distances."
            )


def _span_doubts(job: Job, xs: list[float], span: float, where: Positions) -> Iterator[Doubt]:
    """Yield what is doubtful in detectors that see the offset in planes x, and the slope by a span."""
    if span < 1e-3:
        what, advice = (
            ("there is only one detector", "Add a second detector in another plane along the shaft.")
            if len(xs) == 1
            else (
                "all detectors look at the same plane",
                "Move one along the shaft; check the distances and depth_mm.",
            )
        )
        yield Doubt("rig", "heads", f"{what}: the slope and the feet cannot be told", advice)
        return
    farthest = max(job.feet, key=lambda f: abs(where.x(f.name)))
    lever = max(abs(where.x(farthest.name) - x) for x in (min(xs), max(xs))) / span
    grown = (
        f"an error of {show_length(0.01, job.units)} at one of them "
        f'becomes {show_length(0.01 * lever, job.units)} at "{farthest.name}"'
    )
    if max(xs) - min(xs) < span:
        what = f"the face is touched only {distance_words(span, job.units)} from the axis"
        advice = "Touch the face farther out"
    else:
        what = f"the detectors are only {distance_words(span, job.units)} apart"
        advice = "Set the heads farther apart"
    if span < _NEAREST_PLANES_M:
        yield Doubt("rig", "heads", f"{what}: {grown}", f"{advice}; check the distances.")
    elif lever > _LONG_LEVER:
        yield Doubt(
            "rig",
            "heads",
            f"{what} for feet that far away: {grown}",
            f"{advice}, or turn through a full turn.",
        )
