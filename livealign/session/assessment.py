"""What follows from a belief, worked out once for each."""

from dataclasses import dataclass

import numpy as np

from livealign.advice import corrections
from livealign.advice.verdict import judge
from livealign.config.job import Job
from livealign.model.belief import Belief
from livealign.session.setup import Setup
from livealign.snapshot import Finding, Foot, Pose, Verdict
from livealign.units import length_unit_m

__all__ = ["Assessment", "assess", "diameter_m"]

_NOTHING = Belief(np.zeros(4), np.eye(4), 0, (False, False, False, False))


@dataclass(frozen=True)
class Assessment:
    """Pose, corrections, gap and verdict."""

    pose: Pose
    feet: tuple[Foot, ...]
    verdict: Verdict
    gap_vertical_mm: float | None
    gap_horizontal_mm: float | None

    def finding(self, time_s: float) -> Finding:
        """Return it as kept for the record."""
        return Finding(
            time_s=round(time_s, 6),
            pose=self.pose,
            feet=self.feet,
            verdict=self.verdict,
            gap_vertical_mm=self.gap_vertical_mm,
            gap_horizontal_mm=self.gap_horizontal_mm,
        )


def diameter_m(job: Job) -> float:
    """Return the coupling's diameter in metres."""
    return job.coupling.diameter * length_unit_m(job.units)


def assess(job: Job, setup: Setup, belief: Belief | None, verdict: Verdict | None = None) -> Assessment:
    """Work out what follows from a belief, or from none; a verdict that is new enough is kept."""
    if belief is None:
        feet = corrections.unknown_feet(setup.model, setup.feet)
        belief = compared = _NOTHING
    else:
        # A move or a deviation is as uncertain as the target it is reckoned from, besides.
        compared = belief.loosened(setup.target_cov)
        feet = corrections.feet_moves(setup.model, setup.feet, compared, setup.target, job.units)
    return Assessment(
        pose=corrections.pose_of(belief),
        feet=feet,
        verdict=verdict or judge(setup.criterion, compared, setup.target, job.confidence),
        gap_vertical_mm=corrections.gap_mm(belief, diameter_m(job), vertical=True),
        gap_horizontal_mm=corrections.gap_mm(belief, diameter_m(job), vertical=False),
    )
