"""``livealign calibrate angle``."""

import asyncio
from dataclasses import asdict, dataclass, field
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
    from livealign.cli.calibrate.live import Bench
    from livealign.config.rig import AngleSensor, Head
    from livealign.model.rig import FloatArray
    from livealign.service.live_rig import LiveRig
    from livealign.session.gathering import ChannelRecord

__all__ = ["angle"]

_PLACES = ("mounted", "reversed", "clockwise")
_LEAST_TURN_DEG = 2.0
_MOST_OFF_DEG = 15.0


@dataclass
class _Raw:
    """Raw numbers of one inclinometer in deg, by how its head stood."""

    mounted: list[float] = field(default_factory=list)
    reversed: list[float] = field(default_factory=list)
    clockwise: list[float] = field(default_factory=list)
    """Once, directly after the first one mounted."""


@click.command(
    epilog="\b\nExamples:\n"
    "  livealign calibrate angle rig.toml\n"
    '  livealign calibrate angle rig.toml --head "head S" --pairs 3\n'
    '  livealign calibrate angle rig.toml --head "head S" --readings turns.txt --yes'
)
@click.argument("rig", type=click.Path(path_type=Path))
@click.option("--head", help="One head only; else all that have an angle sensor.")
@click.option(
    "--pairs",
    type=click.IntRange(1, 20),
    default=2,
    show_default=True,
    help="How often to turn the head end for end.",
)
@click.option(
    "--level-u",
    type=click.FloatRange(min=0),
    default=0.1,
    show_default=True,
    help="deg; how well the head can be set by the level.",
)
@click.option(
    "--square-u",
    type=click.FloatRange(min=0),
    default=0.1,
    show_default=True,
    help="deg; how square the surface the level is held to is to the line from the shaft's axis through the detector.",
)
@reading_options
@click.option(
    "--readings",
    type=click.Path(path_type=Path),
    help="A file with mounted, clockwise or reversed, and the raw number, on each line.",
)
@writing_options
def angle(
    *,
    rig: Path,
    head: str | None,
    pairs: int,
    level_u: float,
    square_u: float,
    seconds: float,
    every: float | None,
    readings: Path | None,
    writing: Writing,
) -> None:
    """Find which way a head's angle grows, and its zero, by reversal.

    Set the head upright at 12 o'clock with a spirit level and read; turn it clockwise a little (as seen by somebody behind
    the movable machine) and read; take it off, mount it turned end for end, set it upright with the same level held the
    same way, and read. What the level is off by drops out. Repeating it tells how well it can be done.

    A sensor that counts turns instead of feeling gravity (an encoder) has nothing to reverse: set zero_deg by a level.
    """
    file = RigFile.read(rig)
    heads = [h for h in file.rig.heads if h.angle is not None and head in {None, h.name}]
    if not heads:
        raise PersonError(f'no head "{head}" has an angle sensor', where=str(file.path))
    if readings is not None and len(heads) > 1:
        raise click.UsageError("--readings belongs to one head: name it with --head.")
    findings = []
    for the_head in heads:
        spec = the_head.angle
        if spec is None:
            continue
        raw = (
            _from_file(readings, spec)
            if readings
            else _from_rig(file, the_head, spec, pairs=pairs, seconds=seconds, every=every)
        )
        findings.append(_finding(the_head, raw, level_u, square_u))
    Report(file, findings, writing).finish()


def _place(text: str) -> str:
    if text not in _PLACES:
        raise ValueError(text)
    return text


def _from_file(path: Path, spec: "AngleSensor") -> _Raw:
    from livealign.cli.calibrate.readings import read_lines, visits

    takes = "mounted, clockwise or reversed, and the raw number, such as mounted 0.31"
    raw = _Raw()
    for place, raws in visits(read_lines(path, _place, takes)):
        getattr(raw, place).append(_mean_deg(raws, spec))
    if len(raw.clockwise) != 1:
        raise PersonError(
            "one reading with the head turned clockwise is needed, after the first one mounted",
            where=str(path),
        )
    if not raw.mounted or len(raw.mounted) != len(raw.reversed):
        raise PersonError("mounted and reversed must stand there equally often", where=str(path))
    return raw


def _mean_deg(raws: list[float], spec: "AngleSensor") -> float:
    import numpy as np

    return float(_in_deg(np.array(raws), spec).mean())


def _in_deg(raw: "FloatArray", spec: "AngleSensor") -> "FloatArray":
    """Raw numbers in deg, all on the same turn as the first."""
    import numpy as np

    deg = np.degrees(raw) if spec.unit == "rad" else raw
    if deg.size == 0:
        return deg
    around: FloatArray = deg[0] + (deg - deg[0] + 180.0) % 360.0 - 180.0
    return around


def _from_rig(
    file: RigFile, head: "Head", spec: "AngleSensor", *, pairs: int, seconds: float, every: float | None
) -> _Raw:
    from livealign.cli.calibrate.live import patiently_opened
    from livealign.service.live_rig import LiveRig

    async def read() -> _Raw:
        async with LiveRig(file.rig, links={spec.link or head.link}, say=say) as live:
            await patiently_opened(live)
            return await _pairs(_bench(live, head, spec, seconds, every), head.name, pairs)

    return asyncio.run(read())


def _bench(
    live: "LiveRig", head: "Head", spec: "AngleSensor", seconds: float, every: float | None
) -> "Bench":
    import numpy as np

    from livealign.cli.calibrate.live import Bench

    def reads(record: "ChannelRecord") -> "FloatArray":
        return _in_deg(record.raw[np.isfinite(record.raw)], spec)

    return Bench(live, f"{head.name} angle", reads, max(spec.noise_deg, 0.05), "deg", seconds, every)


async def _pairs(bench: "Bench", name: str, pairs: int) -> _Raw:
    raw = _Raw()
    upright = f'Set "{name}" upright at 12 o\'clock with the level'
    for i in range(pairs):
        raw.mounted.append((await bench.stop(f"{upright}, mounted as it is used.")).mean)
        if i == 0:
            turn = f'Turn "{name}" clockwise by 10 to 20 deg, as seen from behind the movable machine.'
            raw.clockwise.append((await bench.stop(turn)).mean)
        end = f'Mount "{name}" turned end for end, and set it upright with the level held as before.'
        raw.reversed.append((await bench.stop(end)).mean)
    return raw


def _finding(head: "Head", raw: _Raw, level_u: float, square_u: float) -> Finding:
    import numpy as np

    from livealign.advice.calibration_words import angle_words, two_digits_up
    from livealign.model.reversal import reverse, turned

    title = f"{head.name}, angle"
    change = turned(raw.mounted[0], raw.clockwise[0])
    if abs(change) < _LEAST_TURN_DEG:
        raise PersonError(
            f"the number changed by {change:.2g} deg only when the head was turned clockwise",
            where=title,
            advice="Turn it by 10 deg or more; check the field.",
        )
    found = reverse(
        np.array(raw.mounted), np.array(raw.reversed), change, reading_u_deg=level_u, square_u_deg=square_u
    )
    if abs(found.level_deg) > _MOST_OFF_DEG:
        raise PersonError(
            f"mounted and turned end for end the numbers are {2 * abs(found.level_deg):.0f} deg apart",
            where=title,
            advice="Set the head upright with the level each time, and begin again.",
        )
    return Finding(
        title=title,
        words=angle_words(found),
        values={**asdict(found), "unit": "deg"},
        head=head.name,
        detector=None,
        keys=differing(
            head.angle,
            {
                "sense": found.sense,
                "zero_deg": round(found.zero_deg, 3),
                "zero_u_deg": max(two_digits_up(found.zero_u_deg), 0.001),
            },
        ),
        what=["sense", "zero"],
        note=f"by reversal, {found.pairs} pairs, level u {level_u:g} deg, square u {square_u:g} deg",
    )
