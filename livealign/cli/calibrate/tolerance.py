"""``livealign calibrate tolerance``."""

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from livealign.errors import PersonError

if TYPE_CHECKING:
    from livealign.advice.provable import Provable
    from livealign.config.job import Job
    from livealign.session.setup import Setup
    from livealign.units import Units

__all__ = ["tolerance"]

_ARCS_DEG = (360, 180, 90, 60)


@click.command(
    epilog="\b\nExamples:\n"
    "  livealign calibrate tolerance job.toml rig.toml\n"
    "  livealign calibrate tolerance job.toml rig.toml --readings 1000 --json"
)
@click.argument("job", type=click.Path(path_type=Path))
@click.argument("rig", type=click.Path(path_type=Path))
@click.option(
    "--readings",
    type=click.IntRange(8, 10000),
    default=200,
    show_default=True,
    help="Independent readings of each detector, spread over the arc.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def tolerance(*, job: Path, rig: Path, readings: int, as_json: bool) -> None:
    """Say how tight a tolerance this rig can prove on this job.

    For a machine that stands exactly as wanted: the smallest limits that it would still be declared conforming to, when
    the shafts are turned by 360, 180, 90 and 60 deg about 12 o'clock. A job with tighter limits ends undecided.

    It is worked out from the figures in the two files. What those leave out (looseness, heat, drift) comes on top.
    """
    import numpy as np

    from livealign.advice.provable import provable
    from livealign.config.load import load_files
    from livealign.session.setup import build

    loaded = load_files([job, rig])
    if loaded.job is None or loaded.rig is None:
        raise PersonError("a job file and a rig file are needed")
    setup = build(loaded.job, loaded.rig)
    found = [
        provable(
            setup.model,
            setup.criterion,
            target=setup.target,
            target_cov=setup.target_cov,
            confidence=loaded.job.confidence,
            arc=float(np.radians(arc)),
            readings=readings,
        )
        for arc in _ARCS_DEG
    ]
    if as_json:
        values = {
            "readings": readings,
            "limit": setup.criterion.limit_words,
            "arcs": [_json(p, arc) for p, arc in zip(found, _ARCS_DEG, strict=True)],
        }
        click.echo(json.dumps(values, ensure_ascii=False, allow_nan=False, indent=2))
        return
    _tell(loaded.job, setup, found, readings)


def _json(p: "Provable", arc_deg: int) -> dict[str, object]:
    def rounded(value: float | None) -> float | None:
        return None if value is None else float(f"{value:.4g}")

    return {
        "arc_deg": arc_deg,
        "known": p.known,
        "offset_mm": rounded(None if p.offset_m is None else 1e3 * p.offset_m),
        "slope_mm_per_m": rounded(None if p.slope is None else 1e3 * p.slope),
        "share_of_limit": rounded(p.share),
        "largest_source_offset": p.largest_offset,
        "largest_source_slope": p.largest_slope,
    }


def _tell(job: "Job", setup: "Setup", found: "list[Provable]", readings: int) -> None:
    from livealign.cli.calibrate.writing import wrapped
    from livealign.config.tolerance import decision_words

    offset, slope = ("mil", "mil/in") if job.units == "inch" else ("mm", "mm/m")
    click.secho("Smallest limits that can be proven to be kept", bold=True)
    click.echo(wrapped(f"  {decision_words(job)} The job's limits: {setup.criterion.limit_words}."))
    click.echo(
        wrapped(f"  {readings} independent readings of each detector, spread over the arc about 12 o'clock.")
    )
    click.echo(
        f"  {'arc':>7}{'offset, ' + offset:>13}{'slope, ' + slope:>15}{'of the limit':>15}   most of it from"
    )
    for p, arc in zip(found, _ARCS_DEG, strict=True):
        if p.offset_m is None or p.slope is None or p.share is None:
            click.echo(f"  {arc:>3} deg   nothing: this rig does not tell the whole position")
            continue
        most = dict.fromkeys(s for s in (p.largest_offset, p.largest_slope) if s)
        click.echo(
            f"  {arc:>3} deg{_length(p.offset_m, job.units):>13}{_up(1e3 * p.slope):>15}"
            f"{_percent(p.share):>15}   {', '.join(most)}"
        )
    click.echo(wrapped(f"  {_verdict(found)}"))


def _verdict(found: "list[Provable]") -> str:
    enough = [arc for p, arc in zip(found, _ARCS_DEG, strict=True) if p.share is not None and p.share < 1.0]
    if not enough:
        return (
            "The job's limits cannot be proven with this rig, however well the machine stands: a verdict would stay"
            " undecided. Mind what most of it comes from."
        )
    told = f"The job's limits can be proven by turning {min(enough)} deg or more"
    return (
        f"{told}; the nearer to 100 % of the limit, the better the machine must stand. One that stands off adds what gains,"
        " angle zeros and distances bring."
    )


def _length(m: float, units: "Units") -> str:
    return _up(m / 25.4e-6) if units == "inch" else _up(1e3 * m)


def _up(value: float) -> str:
    """A limit, rounded up to two significant digits."""
    from livealign.advice.calibration_words import two_digits_up

    value = two_digits_up(value)
    return f"{value:.{max(0, 1 - math.floor(math.log10(value)))}f}" if value > 0 else "0"


def _percent(share: float) -> str:
    return f"{100 * share:.2g} %" if share < 1 else f"{100 * share:.0f} %"
