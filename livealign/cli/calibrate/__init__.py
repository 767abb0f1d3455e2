"""``livealign calibrate``: measures what a rig file states, and writes it there."""

import click

from livealign.cli.calibrate.angle import angle
from livealign.cli.calibrate.detector import detector
from livealign.cli.calibrate.noise import noise
from livealign.cli.calibrate.sag import sag
from livealign.cli.calibrate.tolerance import tolerance

__all__ = ["calibrate"]


@click.group(
    epilog="\b\nExamples:\n"
    '  livealign calibrate detector rig.toml --head "head S" --steps 0,0.5,1,1.5,2 --gauge-u 0.002\n'
    "  livealign calibrate angle rig.toml\n"
    "  livealign calibrate sag rig.toml --head bracket\n"
    "  livealign calibrate noise rig.toml --seconds 60\n"
    "  livealign calibrate tolerance job.toml rig.toml"
)
def calibrate() -> None:
    """Measure what a rig file states, and write it there.

    Each command says what it found and which lines of the rig file it would change, and asks before it writes.
    """


for _command in (angle, detector, noise, sag, tolerance):
    calibrate.add_command(_command)
