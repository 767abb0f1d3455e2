"""``livealign calibrate sag``."""

import asyncio
import math
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from livealign.cli.calibrate.writing import (
    Finding,
    Report,
    RigFile,
    Writing,
    differing,
    reading_options,
    say,
    writing_options,
)
from livealign.errors import PersonError

if TYPE_CHECKING:
    from livealign.config.rig import DetectorSpec, Head
    from livealign.model.rig import FloatArray
    from livealign.session.gathering import ChannelRecord
    from livealign.session.wiring import PositionWiring

__all__ = ["sag"]

_CLOCK = {12: 0.0, 3: 90.0, 6: 180.0, 9: 270.0}
_MOST_OFF_DEG = 15.0


@click.command(
    epilog="\b\nExamples:\n"
    "  livealign calibrate sag rig.toml --head bracket\n"
    "  livealign calibrate sag rig.toml --head bracket --detector face --places 12,6 --rounds 3\n"
    "  livealign calibrate sag rig.toml --head bracket --readings bar.txt --dry-run"
)
@click.argument("rig", type=click.Path(path_type=Path))
@click.option("--head", help="The head; needed if there are several.")
@click.option("--detector", "name", help="The indicator; needed if the head has several.")
@click.option(
    "--places",
    type=click.Choice(["12,3,6,9", "12,6"]),
    default="12,3,6,9",
    show_default=True,
    help="Where on the clock the plunger is read.",
)
@click.option("--rounds", type=click.IntRange(1, 20), default=2, show_default=True, help="How many turns.")
@click.option(
    "--bar-u",
    type=click.FloatRange(min=0),
    default=0.002,
    show_default=True,
    help="mm; standard uncertainty of what the bar itself bends.",
)
@reading_options
@click.option(
    "--nominal", is_flag=True, help="Do not use the head's angle sensor, but the places on the clock."
)
@click.option(
    "--readings",
    type=click.Path(path_type=Path),
    help="A file with the plunger's angle (deg from 12 o'clock, clockwise) and the raw number on each line.",
)
@writing_options
def sag(
    *,
    rig: Path,
    head: str | None,
    name: str | None,
    places: str,
    rounds: int,
    bar_u: float,
    seconds: float,
    every: float | None,
    nominal: bool,
    readings: Path | None,
    writing: Writing,
) -> None:
    """Measure the sag of an indicator's bracket on a stiff bar.

    Clamp bracket and indicator to a stiff, straight bar as they will sit on the shafts: same span, same height, plunger on
    the bar. Turn the bar so that the plunger comes to each place on the clock, hold it still, and press Enter. Nothing needs
    to be set to zero.
    """
    file = RigFile.read(rig)
    the_head, spec = _chosen(file, head, name)
    if readings is not None:
        angles, shown = _from_file(file, the_head, spec, readings)
    else:
        course = [int(p) for p in places.split(",")] * rounds + [12]
        angles, shown = _from_rig(
            file, the_head, spec, course=course, seconds=seconds, every=every, nominal=nominal
        )
    Report(file, [_finding(the_head, spec, angles, shown, bar_u)], writing).finish()


def _chosen(file: RigFile, head: str | None, name: str | None) -> "tuple[Head, DetectorSpec]":
    found = [
        (h, d)
        for h in file.rig.heads
        for d in h.detectors
        if d.kind != "light" and head in {None, h.name} and name in {None, d.name}
    ]
    if len(found) != 1:
        names = ", ".join(
            f'"{h.name}" "{d.name}"' for h in file.rig.heads for d in h.detectors if d.kind != "light"
        )
        if not names:
            raise PersonError("the rig has no indicator; a light has no sag", where=str(file.path))
        what = "name one indicator" if found else "there is no such indicator"
        raise PersonError(what, where=str(file.path), advice=f"--head and --detector take one of: {names}.")
    return found[0]


def _wiring(file: RigFile, head: "Head", spec: "DetectorSpec") -> "PositionWiring":
    from livealign.session.wiring import wire

    name = f"{head.name} {spec.name}"
    return next(w for w in wire(file.rig).positions if w.channel.name == name)


def _from_file(
    file: RigFile, head: "Head", spec: "DetectorSpec", path: Path
) -> tuple[list[float], list[float]]:
    import numpy as np

    from livealign.cli.calibrate.readings import number, read_lines

    lines = read_lines(path, number, "an angle in deg and the raw number, such as 180 -0.071")
    raw = np.array([raw for _, raw in lines])
    position, clipped, _ = _wiring(file, head, spec).channel.measured(raw, None)
    if clipped.any():
        raise PersonError(
            f"{int(clipped.sum())} of {raw.size} readings are beyond range_mm or the table of linearity",
            where=str(path),
        )
    return [angle for angle, _ in lines], (1e3 * spec.polarity * position).tolist()


def _from_rig(
    file: RigFile,
    head: "Head",
    spec: "DetectorSpec",
    *,
    course: list[int],
    seconds: float,
    every: float | None,
    nominal: bool,
) -> tuple[list[float], list[float]]:
    from livealign.cli.calibrate.live import Bench, patiently_opened, usable
    from livealign.service.live_rig import LiveRig

    sensor = None if nominal or head.angle is None else f"{head.name} angle"
    links = {spec.link or head.link}
    if sensor and head.angle:
        links.add(head.angle.link or head.link)

    def reads(record: "ChannelRecord") -> "FloatArray":
        return 1e3 * spec.polarity * record.value[usable(record)]

    async def read() -> tuple[list[float], list[float]]:
        angles, shown = [], []
        async with LiveRig(file.rig, links=links, say=say) as live:
            await patiently_opened(live)
            bench = Bench(live, f"{head.name} {spec.name}", reads, spec.noise_mm, "mm", seconds, every)
            for i, clock in enumerate(course, 1):
                stop = await bench.stop(f"Place {i} of {len(course)}: turn the plunger to {clock} o'clock.")
                record = stop.gathered.channels.get(sensor or "")
                angles.append(_angle_deg(record, clock, spec.phase_deg))
                shown.append(stop.mean)
        return angles, shown

    return asyncio.run(read())


def _angle_deg(record: "ChannelRecord | None", clock: int, phase_deg: float) -> float:
    """Where the plunger stood: by the head's sensor if there is one."""
    nominal = _CLOCK[clock]
    if record is None or not record.good.any():
        return nominal
    told = math.degrees(float(record.value[record.good].mean())) + phase_deg
    off = (told - nominal + 180.0) % 360.0 - 180.0
    if abs(off) > _MOST_OFF_DEG:
        raise PersonError(
            f"the head tells {told % 360.0:.0f} deg for the plunger at {clock} o'clock",
            where=record.name,
            advice="Calibrate the angle first (livealign calibrate angle), or use the places on the clock: --nominal",
        )
    return told


def _finding(
    head: "Head", spec: "DetectorSpec", angles: list[float], shown: list[float], bar_u: float
) -> Finding:
    import numpy as np

    from livealign.advice.calibration_words import sag_words, two_digits_up
    from livealign.model.bracket_sag import bracket_sag

    title = f"{head.name}, {spec.name}"
    try:
        found = bracket_sag(np.radians(angles), np.array(shown), noise=spec.noise_mm, bar_u=bar_u)
    except ValueError as e:
        raise PersonError(str(e), where=title) from e
    return Finding(
        title=title,
        words=sag_words(found),
        values={**asdict(found), "unit": "mm"},
        head=head.name,
        detector=spec.name,
        keys=differing(
            spec, {"sag_mm": round(found.sag, 4) + 0.0, "sag_u_mm": max(two_digits_up(found.u), 0.0001)}
        ),
        what=["sag"],
        note=f"on a bar, {found.readings} readings, bar u {bar_u:g} mm",
    )
