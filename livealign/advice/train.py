"""Three or more machines in a row on one base: one plan for all, from what was measured at each coupling.

Everything is told in the frame of the row: x along it, from the first machine to the last, y toward 3 o'clock for somebody
who stands behind the last machine and looks along the shafts at the first one. A coupling where the machine after it was
the movable one was measured in that frame. Where it was the machine before it, the viewer stood at the other end: 3 o'clock
and the direction of x turn round, and with them the two machines' parts, so that of the pose (Y0, Y', Z0, Z') measured
the row sees (Y0, -Y', -Z0, Z').
"""

from dataclasses import dataclass, replace

import numpy as np

from livealign.advice.moves import By, FootPlane, Joint, Machine, Moves, least_moves
from livealign.advice.plan import AIM
from livealign.advice.probability import inside
from livealign.advice.verdict import Criterion
from livealign.errors import PersonError
from livealign.model.belief import Belief
from livealign.model.rig import FloatArray
from livealign.units import Units, rounded_up

__all__ = ["Coupling", "Known", "TrainPlan", "train_plan"]

_TURNED = np.diag([1.0, -1.0, -1.0, 1.0])
_SAME_M = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Coupling:
    """What was measured at the coupling between one machine and the next, in its own frame."""

    name: str
    x_m: float
    """Of its centre, in the row."""
    belief: Belief
    target: FloatArray
    """(4,) wanted pose."""
    criterion: Criterion
    after_is_movable: bool = True
    """Whether the machine after it was measured against the one before it."""

    @property
    def deviation(self) -> FloatArray:
        """(4,) of the machine after it against the one before it, in the frame of the row."""
        gap = self.belief.pose - self.target
        return gap if self.after_is_movable else _TURNED @ gap

    @property
    def cov(self) -> FloatArray:
        """(4, 4) covariance of that."""
        return self.belief.pose_cov if self.after_is_movable else _TURNED @ self.belief.pose_cov @ _TURNED


@dataclass(frozen=True, slots=True)
class Known:
    """How well a foot plane's place is known against the machine that stays; standard uncertainties in m."""

    machine: str
    foot: str
    up_u_m: float
    across_u_m: float


@dataclass(frozen=True, slots=True, eq=False)
class TrainPlan:
    """One plan for all machines."""

    stays: str
    """The machine that is not moved."""
    moves: Moves
    known: tuple[Known, ...]
    probabilities: tuple[float, ...]
    """That each coupling conforms afterwards, if every move is made exactly."""
    words: tuple[str, ...]


def train_plan(
    machines: tuple[Machine, ...],
    couplings: tuple[Coupling, ...],
    units: Units,
    *,
    aim: float = AIM,
    by: By = "largest",
    stays: str | None = None,
) -> TrainPlan:
    """Return the plan with the least moves; the machine that stays is the one for which the largest move is least.

    Args:
        machines: in their order along the row, x of all feet in the row; those with `stays` are never moved.
        couplings: between each machine and the next; their readings are independent of each other.
        units: for the words.
        aim: share of the tolerance to end within at every coupling.
        by: what is made least for each machine that may stay.
        stays: name of the machine that is to stay; None: any.

    Raises:
        PersonError: if a pose is not known, no machine has that name, or no rigid machine can keep the ranges.
    """
    if len(couplings) != len(machines) - 1:
        raise ValueError("there is one coupling between each machine and the next")
    for coupling in couplings:
        if not coupling.belief.known:
            raise PersonError(
                "the pose is not known, so no moves can be planned",
                where=coupling.name,
                advice="Turn the shafts and read there first.",
            )
    joints = tuple(Joint(c.name, c.x_m, c.deviation, c.criterion.across) for c in couplings)
    tried = [i for i, m in enumerate(machines) if stays in {None, m.name}]
    if not tried:
        raise PersonError(
            f'no machine is called "{stays}"', advice=f"There are {', '.join(m.name for m in machines)}."
        )
    found: list[tuple[int, Moves]] = []
    for i in tried:
        row = tuple(replace(m, stays=m.stays or n == i) for n, m in enumerate(machines))
        moves = least_moves(row, joints, units, aim=aim, by=by)
        if moves is not None:
            found.append((i, moves))
    if not found:
        raise PersonError(
            "no moves can be planned: what the feet are allowed contradicts itself",
            advice="Let 0 be among the moves that the feet of every machine are allowed.",
        )
    index, moves = min(found, key=lambda f: _order(f[1], aim))
    after = zip(couplings, moves.deviations, strict=True)
    chances = tuple(round(inside(c.criterion.across, d, c.cov), 4) for c, d in after)
    known = tuple(
        _known(i, index, foot, machines, couplings)
        for i, m in enumerate(machines)
        if i != index
        for foot in m.feet
    )
    return TrainPlan(
        machines[index].name,
        moves,
        known,
        chances,
        tuple(_words(machines[index], moves, couplings, known, units)),
    )


def _order(moves: Moves, aim: float) -> tuple[float, float, float]:
    """Nearest to the aim first, then the least largest move, then the least of all moves."""
    over = max(0.0, max(moves.shares) - aim - 1e-4)
    return over, round(moves.largest_m / _SAME_M), round(moves.total_m / _SAME_M)


def _known(
    machine: int, stays: int, foot: FootPlane, machines: tuple[Machine, ...], couplings: tuple[Coupling, ...]
) -> Known:
    """Add up what is not known at every coupling on the way to the machine that stays."""
    up = across = 0.0
    for coupling in couplings[min(machine, stays) : max(machine, stays)]:
        row = np.array([1.0, foot.x_m - coupling.x_m])
        across += float(row @ coupling.cov[:2, :2] @ row)
        up += float(row @ coupling.cov[2:, 2:] @ row)
    return Known(machines[machine].name, foot.name, up**0.5, across**0.5)


def _words(
    stays: Machine, moves: Moves, couplings: tuple[Coupling, ...], known: tuple[Known, ...], units: Units
) -> list[str]:
    size, unit, decimals = (25.4e-6, "mil", 1) if units == "inch" else (1e-3, "mm", 2)
    u = {(k.machine, k.foot): max(k.up_u_m, k.across_u_m) for k in known}
    lines = [f"{stays.name} stays. 3 o'clock is as seen from behind the last machine."]
    for foot in moves.feet:
        pm = rounded_up(2.0 * u[foot.machine, foot.foot] / size, decimals)
        lines.append(f"{foot.words} (+- {pm:.{decimals}f} {unit}).")
    lines += [
        f"{c.name}: ends at {100.0 * s:.0f} % of the tolerance."
        for c, s in zip(couplings, moves.shares, strict=True)
    ]
    if moves.reached == "out of reach":
        lines.append("Not all couplings can be brought within tolerance with what the feet are allowed.")
    return lines + [f"What binds: {line}." for line in moves.binding]
