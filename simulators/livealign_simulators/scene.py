"""One simulated job: the truth, the machine, the mechanic, and the truth told in the snapshot's own words."""

from dataclasses import dataclass

import numpy as np

from livealign.config.job import Job
from livealign.config.rig import Rig
from livealign.snapshot import Foot, PlanePose, Pose
from livealign_simulators.disturbances import NONE, Disturbances
from livealign_simulators.geometry import AxisLine
from livealign_simulators.heads import Heads
from livealign_simulators.machine import Machine
from livealign_simulators.mechanic import Mechanic
from livealign_simulators.truth import Truth, draw_start, draw_truth, target_line

__all__ = ["Scene", "build_scene"]

_MOMENTS = 1000


@dataclass(frozen=True, slots=True)
class Scene:
    """A job being done by a simulated mechanic on a simulated machine."""

    job: Job
    rig: Rig
    truth: Truth
    mechanic: Mechanic
    heads: Heads
    disturbances: Disturbances
    """As they were at the beginning."""
    device_seed: np.random.SeedSequence

    def tell(self, time_s: float, over_s: float = 0.0) -> tuple[Pose, tuple[Foot, ...]]:
        """Return the true pose and the true moves still to make, at a time or averaged over so long before it."""
        steps = _MOMENTS if over_s else 1
        line = self.mechanic.line_at(np.linspace(time_s, max(0.0, time_s - over_s), steps))
        wanted = target_line(self.job, self.truth.points_mm)
        y, y_slope = float(np.mean(line.y_mm)), float(np.mean(line.y_slope))
        z, z_slope = float(np.mean(line.z_mm)), float(np.mean(line.z_slope))
        pose = Pose(
            vertical=PlanePose(z, 0.0, 1000 * z_slope, 0.0),
            horizontal=PlanePose(y, 0.0, 1000 * y_slope, 0.0),
        )
        feet = []
        for foot in self.truth.feet:
            up = wanted.z_mm - z + (wanted.z_slope - z_slope) * foot.x_mm
            aside = wanted.y_mm - y + (wanted.y_slope - y_slope) * foot.x_mm
            words = (
                f"{'add' if up >= 0 else 'remove'} {abs(up):.3f} mm",
                f"{abs(aside):.3f} mm toward {'3' if aside >= 0 else '9'} o'clock",
            )
            feet.append(Foot(foot.name, foot.x_mm, up, 0.0, aside, 0.0, *words))
        return pose, tuple(feet)


def build_scene(
    job: Job,
    rig: Rig,
    seed: int,
    angle_deg: float = 90.0,
    disturbances: Disturbances = NONE,
    *,
    start: AxisLine | None = None,
) -> Scene:
    """Set up a machine, found in a pose that is given or drawn from the seed, its heads, and what is wrong.

    Raises:
        PersonError: if the job, the rig and the disturbances do not go together.
    """
    hidden, found, moves, devices = np.random.SeedSequence(seed).spawn(4)
    truth = draw_truth(job, rig, hidden, disturbances.mistakes)
    machine = Machine(
        start or draw_start(found),
        truth.feet,
        moves,
        settling=disturbances.settling,
        frame=disturbances.frame,
        warmings=disturbances.warmings,
        vibrations=disturbances.vibrations,
    )
    mechanic = Mechanic(machine, angle_deg, disturbances.backlash_deg)
    heads = Heads(truth.shafts, mechanic, disturbances)
    return Scene(job, rig, truth, mechanic, heads, disturbances, devices)
