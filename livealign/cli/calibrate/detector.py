"""``livealign calibrate detector``."""

import asyncio
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

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
    from livealign.model.detector_calibration import DetectorCalibration

__all__ = ["detector"]


class _Steps(click.ParamType[tuple[float, ...]]):
    """Numbers with commas between."""

    name = "numbers"

    def convert(
        self, value: "str | tuple[float, ...]", param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        from livealign.cli.calibrate.readings import number

        if not isinstance(value, str):
            return value
        try:
            steps = tuple(number(part) for part in value.split(","))
        except ValueError:
            self.fail(f"{value!r} is no list of numbers, such as 0,0.5,1", param, ctx)
        if not 2 <= len(steps) <= 200 or len(set(steps)) != len(steps):
            self.fail("give 2 to 200 different steps", param, ctx)
        return steps


@click.command(
    epilog="\b\nExamples:\n"
    '  livealign calibrate detector rig.toml --head "head S" --steps -2,-1,0,1,2 --gauge-u 0.002\n'
    '  livealign calibrate detector rig.toml --head "head S" --steps 0,20,40,60 --unit mil --gauge-u 0.1\n'
    '  livealign calibrate detector rig.toml --head "head S" --readings steps.txt --gauge-u 0.002 --dry-run'
)
@click.argument("rig", type=click.Path(path_type=Path))
@click.option("--head", help="The head; needed if there are several.")
@click.option("--detector", "name", help="The detector; needed if the head has several.")
@click.option("--steps", type=_Steps(), help="Displacements to be set, in order, such as 0,0.5,1.")
@click.option(
    "--unit",
    type=click.Choice(["mm", "um", "in", "mil"]),
    default="mm",
    show_default=True,
    help="Of the displacements and of --gauge-u.",
)
@click.option(
    "--gauge-u",
    type=click.FloatRange(min=0),
    required=True,
    help="Standard uncertainty of a displacement: for a gauge that is right within +-a, a / 1.73.",
)
@click.option(
    "--rounds",
    type=click.IntRange(1, 20),
    default=1,
    show_default=True,
    help="How often to go through the steps and back.",
)
@reading_options
@click.option("--readings", type=click.Path(path_type=Path), help="A file with `true raw` on each line.")
@writing_options
def detector(
    *,
    rig: Path,
    head: str | None,
    name: str | None,
    steps: tuple[float, ...] | None,
    unit: str,
    gauge_u: float,
    rounds: int,
    seconds: float,
    every: float | None,
    readings: Path | None,
    writing: Writing,
) -> None:
    """Calibrate a detector against known displacements: a micrometer, or feeler gauges.

    At each step, set the displacement, hold it still, and press Enter. The steps are gone through up and down. Positive is
    what makes the number grow where polarity is 1: a light spot that moves outward (tangential: clockwise), a plunger that
    is pushed in on a rim, a gap that closes on a face.

    Finds gain and polarity, and a table or polynomial where the detector is significantly not straight.
    """
    if (steps is None) == (readings is None):
        raise click.UsageError("Give either --steps or --readings.")
    file = RigFile.read(rig)
    the_head, spec = _chosen(file, head, name)
    if readings is not None:
        true, raw = _from_file(readings)
    else:
        true, raw = _from_rig(
            file, the_head, spec, course=_course(steps or (), rounds), unit=unit, seconds=seconds, every=every
        )
    Report(file, [_finding(the_head, spec, true, raw, unit=unit, gauge_u=gauge_u)], writing).finish()


def _chosen(file: RigFile, head: str | None, name: str | None) -> "tuple[Head, DetectorSpec]":
    heads = [h for h in file.rig.heads if h.detectors and head in {None, h.name}]
    if len(heads) != 1:
        names = ", ".join(f'"{h.name}"' for h in file.rig.heads if h.detectors)
        what = "name one head" if head is None else f'no head "{head}" has a detector'
        raise PersonError(what, where=str(file.path), advice=f"--head takes one of: {names}.")
    found = [d for d in heads[0].detectors if name in {None, d.name}]
    if len(found) != 1:
        names = ", ".join(f'"{d.name}"' for d in heads[0].detectors)
        what = "name one detector" if name is None else f'"{heads[0].name}" has no detector "{name}"'
        raise PersonError(what, where=str(file.path), advice=f"--detector takes one of: {names}.")
    return heads[0], found[0]


def _course(steps: tuple[float, ...], rounds: int) -> list[float]:
    """Up and down, the turning points once."""
    there_and_back = [*steps, *reversed(steps[:-1])]
    return [*there_and_back, *(there_and_back[1:] * (rounds - 1))]


def _from_file(path: Path) -> tuple[list[float], list[float]]:
    from livealign.cli.calibrate.readings import number, read_lines, visits

    lines = read_lines(path, number, "the true displacement and the raw number, such as 0.5 0.512")
    found = visits(lines)
    return [true for true, _ in found], [sum(raws) / len(raws) for _, raws in found]


def _from_rig(
    file: RigFile,
    head: "Head",
    spec: "DetectorSpec",
    *,
    course: list[float],
    unit: str,
    seconds: float,
    every: float | None,
) -> tuple[list[float], list[float]]:
    from livealign.cli.calibrate.live import Bench, patiently_opened, usable
    from livealign.service.live_rig import LiveRig
    from livealign.units import METRES

    # One reading's noise, in the raw number's own unit.
    allowed = spec.noise_mm * METRES["mm"] / METRES[spec.unit] * spec.gain

    async def read() -> list[float]:
        async with LiveRig(file.rig, links={spec.link or head.link}, say=say) as live:
            await patiently_opened(live)
            bench = Bench(
                live,
                f"{head.name} {spec.name}",
                lambda record: record.raw[usable(record)],
                allowed,
                spec.unit,
                seconds,
                every,
            )
            return [
                (await bench.stop(f"Step {i} of {len(course)}: set {true:g} {unit}.")).mean
                for i, true in enumerate(course, 1)
            ]

    return course, asyncio.run(read())


def _finding(
    head: "Head", spec: "DetectorSpec", true: list[float], raw: list[float], *, unit: str, gauge_u: float
) -> Finding:
    import numpy as np

    from livealign.advice.calibration_words import detector_words
    from livealign.model.detector_calibration import NotCalibratableError, calibrate_detector
    from livealign.units import METRES

    factor = METRES[unit] / METRES[spec.unit]
    title = f"{head.name}, {spec.name}"
    try:
        found = calibrate_detector(np.array(true) * factor, np.array(raw), gauge_u * factor)
    except NotCalibratableError as e:
        raise PersonError(str(e), where=title) from e
    if spec.linearity is not None and found.shape == "straight" and found.straight_chance is None:
        raise PersonError(
            "the rig file straightens this detector, and whether that is still needed cannot be told",
            where=title,
            advice="Go through the steps up and down, at 5 positions at least.",
        )
    words = detector_words(found, spec.unit)
    if spec.polarity != found.polarity:
        words.append(
            f"The polarity was stated as {spec.polarity}: make sure which displacement was taken as positive."
        )
    if spec.linearity is not None and found.shape == "straight":
        words.append("The linearity stated so far is taken out of the file.")
    bent = found.shape != "straight"
    return Finding(
        title=title,
        words=words,
        values={**asdict(found), "unit": spec.unit},
        head=head.name,
        detector=spec.name,
        keys=differing(spec, _keys(found)),
        what=["gain", "linearity"] if bent else ["gain"],
        note=f"{found.visits} visits to {found.positions} positions, {min(true):g} to {max(true):g} {unit}, "
        f"gauge u {gauge_u:g} {unit}",
    )


def _keys(found: "DetectorCalibration") -> dict[str, Any]:
    from livealign.advice.calibration_words import two_digits_up

    linearity: dict[str, Any] | None = None
    if found.polynomial is not None:
        linearity = {"polynomial": [_rounded(c) for c in found.polynomial]}
    elif found.table is not None:
        linearity = {"table": [[_rounded(raw), _rounded(true)] for raw, true in found.table]}
    return {
        "polarity": found.polarity,
        "gain": float(f"{found.gain:.6g}"),
        "gain_u": max(two_digits_up(found.gain_u), 1e-5),
        "linearity": linearity,
    }


def _rounded(value: float) -> float:
    return float(f"{value:.7g}")
