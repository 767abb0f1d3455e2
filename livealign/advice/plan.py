"""Which machine to move, and how, when feet stand on the base or bolts fill their holes."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

from livealign.advice.moves import By, Joint, Machine, Moves, Reached, least_moves
from livealign.advice.optimum import Method
from livealign.advice.probability import inside
from livealign.advice.verdict import Criterion
from livealign.errors import PersonError
from livealign.model.belief import Belief
from livealign.model.rig import FloatArray
from livealign.units import Units

__all__ = ["AIM", "Plan", "Which", "constrained_plan"]

Which: TypeAlias = Literal["movable", "stationary", "both"]

AIM = 0.5
"""Share of the tolerance to end within, so that shims of real thickness and the next reading find room. Our choice."""

_SAME = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """The moves, and what comes of them."""

    which: Which
    """The machines that are moved."""
    moves: Moves
    probability: float
    """That the shafts conform afterwards, if every move is made exactly."""
    words: tuple[str, ...]


def constrained_plan(
    stationary: Machine,
    movable: Machine,
    belief: Belief,
    target: FloatArray,
    criterion: Criterion,
    *,
    units: Units,
    aim: float = AIM,
    by: By = "total",
    method: Method = "highs",
) -> Plan:
    """Return the least moves that end within the aim: of the movable machine if it can, else of the other, else of both.

    Where no choice reaches the aim, the first that ends within tolerance is taken; where none does, the nearest.

    Args:
        stationary: with its feet, at x below those of the coupling; `stays` if it must not be moved at all.
        movable: with its feet; x from the coupling's centre.
        belief: the present pose, with the target's uncertainty in it.
        target: (4,) wanted pose.
        criterion: the tolerance.
        units: for the words.
        aim: share of the tolerance to end within.
        by: what is made least.
        method: of the solver.

    Raises:
        PersonError: if the pose is not known, both machines have to stay, or no rigid machine can keep the ranges.
    """
    if not belief.known:
        raise PersonError(
            "the pose is not known, so no moves can be planned", advice="Turn the shafts and read first."
        )
    joint = Joint("coupling", 0.0, belief.pose - target, criterion.across)
    found: list[tuple[Which, Moves]] = []
    for which, machines in _choices(stationary, movable):
        moves = least_moves(machines, (joint,), units, aim=aim, by=by, method=method)
        if moves is not None:
            found.append((which, moves))
        if moves is not None and moves.reached == "within aim":
            break
    if not found:
        raise PersonError(
            "no moves can be planned: both machines have to stay, or what their feet are allowed contradicts itself",
            advice="Let one machine move, and let 0 be among the moves that its feet are allowed.",
        )
    which, moves = _chosen(found)
    (deviation,) = moves.deviations
    probability = round(inside(criterion.across, deviation, belief.pose_cov), 4)
    return Plan(which, moves, probability, tuple(_words(which, moves, (stationary, movable))))


def _choices(stationary: Machine, movable: Machine) -> Iterator[tuple[Which, tuple[Machine, Machine]]]:
    if not movable.stays:
        yield "movable", (replace(stationary, stays=True), movable)
    if not stationary.stays:
        yield "stationary", (stationary, replace(movable, stays=True))
    if not (movable.stays or stationary.stays):
        yield "both", (stationary, movable)


def _chosen(found: list[tuple[Which, Moves]]) -> tuple[Which, Moves]:
    order: tuple[Reached, ...] = ("within aim", "within tolerance")
    for reached in order:
        for which, moves in found:
            if moves.reached == reached:
                return which, moves
    nearest = min(max(moves.shares) for _, moves in found)
    return next((w, m) for w, m in found if max(m.shares) <= nearest + _SAME)


def _words(which: Which, moves: Moves, machines: tuple[Machine, Machine]) -> Iterator[str]:
    names = {"stationary": machines[0].name, "movable": machines[1].name}
    who = names.get(which) or f"both {machines[0].name} and {machines[1].name}"
    share = f"{100.0 * max(moves.shares):.0f} % of the tolerance"
    if moves.reached == "within aim":
        yield f"Move {who}: that ends at {share}."
    elif moves.reached == "within tolerance":
        yield f"Move {who}: that ends at {share}; no nearer with what the feet are allowed."
    else:
        yield f"Out of reach: the best that can be had is {share}, by moving {who}."
    yield from (f"{foot.words}." for foot in moves.feet)
    yield from (f"What binds: {line}." for line in moves.binding)
