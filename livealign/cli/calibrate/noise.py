"""``livealign calibrate noise``."""

import asyncio
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from livealign.cli.calibrate.writing import Finding, Report, RigFile, Writing, say, writing_options
from livealign.errors import PersonError

if TYPE_CHECKING:
    from livealign.session.gathering import ChannelRecord, Gathered

__all__ = ["noise"]

_MOVED_NOISES = 10.0
_LEAST_MOVED_MM, _LEAST_MOVED_DEG = 0.05, 1.0


@click.command(
    epilog="\b\nExamples:\n"
    "  livealign calibrate noise rig.toml\n"
    "  livealign calibrate noise rig.toml --seconds 300 --yes --by Kim\n"
    "  livealign calibrate noise rig.toml --json"
)
@click.argument("rig", type=click.Path(path_type=Path))
@click.option(
    "--seconds",
    type=click.FloatRange(2, 86400),
    default=60.0,
    show_default=True,
    help="How long to read; averaging is judged up to a quarter of it.",
)
@writing_options
def noise(*, rig: Path, seconds: float, writing: Writing) -> None:
    """Measure what every channel does while nothing moves: noise, drift, and how far averaging helps.

    Set the rig up as for a job, let it warm up, and keep away from it meanwhile.
    """
    file = RigFile.read(rig)
    gathered = asyncio.run(_gathered(file, seconds))
    findings = []
    for head in file.rig.heads:
        if head.angle is not None:
            record = gathered.channels[f"{head.name} angle"]
            findings.append(_finding(record, head.name, None, head.angle.noise_deg))
        for spec in head.detectors:
            record = gathered.channels[f"{head.name} {spec.name}"]
            findings.append(_finding(record, head.name, spec.name, spec.noise_mm))
    if all("noise" not in f.values for f in findings):
        told = "; ".join(f"{f.title}: {' '.join(f.words)}" for f in findings)
        raise PersonError(f"no channel could be judged: {told}", where=str(file.path))
    Report(file, findings, writing).finish()


async def _gathered(file: RigFile, seconds: float) -> "Gathered":
    from livealign.cli.calibrate.live import patiently_opened
    from livealign.service.live_rig import LiveRig

    async with LiveRig(file.rig, say=say) as live:
        await patiently_opened(live)
        say(f"Reading for {seconds:g} s; let nothing move ...")
        return await live.gather(seconds)


def _finding(record: "ChannelRecord", head: str, detector: str | None, declared: float) -> Finding:
    import numpy as np

    from livealign.advice.calibration_words import noise_words, two_digits_up
    from livealign.model.rest import LEAST_READINGS, crept, rest_noise

    unit, key, least = (
        ("deg", "noise_deg", _LEAST_MOVED_DEG) if detector is None else ("mm", "noise_mm", _LEAST_MOVED_MM)
    )
    title = f"{head}, {detector or 'angle'}"
    # Jumps count: they are part of what it does at rest.
    mask = np.isfinite(record.value) & np.isfinite(record.time_s) & ~record.clipped & ~record.dim
    values = np.degrees(record.value[mask]) if detector is None else 1e3 * record.value[mask]

    def without(why: str) -> Finding:
        return Finding(title, [why], {}, head, detector, {}, (), "")

    if values.size < LEAST_READINGS:
        return without(
            f"Only {values.size} readings of {record.value.size} may be used; {LEAST_READINGS} are needed."
        )
    moved = crept(values, max(_MOVED_NOISES * declared, least))
    if moved is not None:
        return without(
            f"It moved by {moved:.2g} {unit} meanwhile, so its noise is not taken; let nothing move."
        )
    try:
        found = rest_noise(record.time_s[mask], values)
    except ValueError as e:
        return without(f"Its noise cannot be told: {e}.")
    values_found = {**asdict(found), "unit": unit}
    words = noise_words(found, unit)
    if found.noise <= 0.0:
        return Finding(title, words, values_found, head, detector, {}, (), "")
    written = max(two_digits_up(found.noise), 1e-6)
    return Finding(
        title=title,
        words=words,
        values=values_found,
        head=head,
        detector=detector,
        keys={key: written},
        what=["noise"],
        note=f"{found.readings} readings at rest in {found.readings * found.spacing_s:.3g} s;"
        f" floor {found.floor:.2g} {unit} after {found.floor_s:.2g} s",
    )
