"""Propagates a rotation's distributions (JCGM 101) beside the linear uncertainty, for `livealign solve`."""

import math
import sys
import textwrap
from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import dataclass
from typing import Any

import click
import numpy as np

from livealign.model.montecarlo import Draws, propagate
from livealign.model.rig import POSE, RigModel
from livealign.model.sweep import SweepFit
from livealign.model.validation import COVERAGE, Agreement, compare, linearised
from livealign.units import METRES, Units, shown

__all__ = ["Figure", "MonteCarlo", "as_json", "monte_carlo", "words"]

_BATCH = 1000
_MOST = 1_000_000
_NAME = 26
_WIDTH = 80


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of the result, in mm or mm/m as in the snapshot."""

    quantity: str
    unit: str
    agreement: Agreement


@dataclass(frozen=True, slots=True)
class MonteCarlo:
    """Both ways for all figures that are observable."""

    trials: int
    seed: int
    figures: tuple[Figure, ...]

    @property
    def good(self) -> bool | None:
        """Is linearising good enough for every figure? None if there are too few trials to tell."""
        verdicts = {f.agreement.good for f in self.figures}
        return False if False in verdicts else None if None in verdicts else True


def monte_carlo(
    model: RigModel, fit: SweepFit | None, feet: tuple[str, ...], trials: int, seed: int
) -> MonteCarlo | None:
    """Return what so many trials say of a rotation's figures; None if not one of them is observable.

    The trials come in batches, each with a seed of its own made from `seed`, so that memory stays small.

    Args:
        model: the rig.
        fit: of the last rotation; None if there is none.
        feet: names of the foot planes.
        trials: how many.
        seed: of the random numbers; the same gives the same result.
    """
    if fit is None or not any(fit.belief.observable):
        return None
    drawn: list[Draws] = []
    straight: list[Draws] = []
    bar = click.progressbar(length=trials, label="Monte Carlo", file=sys.stderr)
    with bar if sys.stderr.isatty() else nullcontext() as progress:
        for start in range(0, trials, _BATCH):
            size = min(_BATCH, trials - start)
            batch_seed = int(np.random.SeedSequence([seed, start]).generate_state(1, np.uint64)[0])
            drawn.append(propagate(model, fit, size, batch_seed))
            straight.append(linearised(model, fit, size, batch_seed))
            if progress is not None:
                progress.update(size)
    agreements = compare(model, fit, _joined(drawn), _joined(straight))
    figures = tuple(
        Figure(q, unit, a) for i, q, unit in _quantities(feet) if (a := agreements[i]) is not None
    )
    return MonteCarlo(trials, seed, figures)


def _joined(parts: list[Draws]) -> Draws:
    return Draws(np.concatenate([p.pose for p in parts]), np.concatenate([p.feet for p in parts]))


def as_json(found: MonteCarlo | None) -> dict[str, Any] | None:
    """Return the result in mm and mm/m, for JSON; None if there is none."""
    if found is None:
        return None
    return {
        "trials": found.trials,
        "seed": found.seed,
        "coverage": COVERAGE,
        "interval": "probabilistically symmetric",
        "linear_is_good_enough": found.good,
        "figures": [_figure_json(f) for f in found.figures],
    }


def _figure_json(figure: Figure) -> dict[str, Any]:
    a = figure.agreement
    values = {
        "u_linear": a.u_linear,
        "u_monte_carlo": a.u_drawn,
        "half_width_linear": a.half_linear,
        "half_width_monte_carlo": a.half_drawn,
        "low": a.low,
        "high": a.high,
        "ends_differ": a.difference,
        "u_of_an_end": a.chance,
        "linearising_moves_an_end": a.bent,
        "u_of_that": a.bent_chance,
        "tolerance": a.tolerance,
    }
    return {
        "quantity": figure.quantity,
        "unit": figure.unit,
        **{name: float(f"{1e3 * value:.6g}") for name, value in values.items()},
        "linear_is_good_enough": a.good,
    }


def words(found: MonteCarlo | None, units: Units, *, target_uncertain: bool) -> str:
    """Return the two ways beside each other, and whether linearising is good enough.

    Args:
        found: the result.
        units: of the job.
        target_uncertain: does the job state an uncertain target? It is in the budget, but not in here.
    """
    if found is None:
        return "Monte Carlo: no figure is observable, so there is nothing to draw."
    return "\n".join(_lines(found, units, target_uncertain=target_uncertain))


def _lines(found: MonteCarlo, units: Units, *, target_uncertain: bool) -> Iterator[str]:
    yield f"Monte Carlo (JCGM 101), last rotation: {found.trials} trials, seed {found.seed}"
    about = (
        "U is half the 95 % interval: k u with k = 1.96 where linear (JCGM 100), half the probabilistically"
        " symmetric interval where drawn. Both take the readings' scatter as known. The last column says by how"
        " much linearising the very same trials moves an end of that interval; the rest of what differs is chance."
    )
    if target_uncertain:
        about += " The target's uncertainty is in the moves above, but not in here."
    yield textwrap.fill(about, _WIDTH, initial_indent="  ", subsequent_indent="  ")
    yield ""
    yield f"  {'':{_NAME}}{'u':>9}{'u':>10}{'U':>10}{'U':>10}{'end moved,':>12}"
    yield f"  {'':{_NAME}}{'linear':>9}{'drawn':>10}{'linear':>10}{'drawn':>10}{'% of u':>12}"
    for figure in found.figures:
        yield from _row(figure, units)
    yield ""
    yield textwrap.fill(_verdict(found, units), _WIDTH)
    for figure in found.figures:
        if figure.agreement.good is False:
            show = _in(figure, units)
            low, high = (show(v, signed=True) for v in (figure.agreement.low, figure.agreement.high))
            yield f"  {figure.quantity}: {low} to {high} {show.unit}"


def _row(figure: Figure, units: Units) -> Iterator[str]:
    show = _in(figure, units)
    a = figure.agreement
    name = f"{figure.quantity}, {show.unit}"
    if len(name) > _NAME:
        yield f"  {name}"
        name = ""
    u_linear, u_drawn, half_linear, half_drawn = (
        show(v) for v in (a.u_linear, a.u_drawn, a.half_linear, a.half_drawn)
    )
    moved = shown(100.0 * a.bent / a.u_linear, 2)
    yield f"  {name:{_NAME}}{u_linear:>9}{u_drawn:>10}{half_linear:>10}{half_drawn:>10}{moved:>12}"


def _verdict(found: MonteCarlo, units: Units) -> str:
    worst = max(found.figures, key=lambda f: f.agreement.off / f.agreement.tolerance)
    a, show = worst.agreement, _in(worst, units)
    largest = f"{_percent(a.off / a.u_linear)} of u ({worst.quantity})"
    if found.good:
        return (
            "Linearising is good enough: it moves no end of an interval by more than half a unit in the second"
            f" significant digit of u; where it comes nearest to that, by {largest}."
        )
    if found.good is False:
        bad = sum(f.agreement.good is False for f in found.figures)
        return (
            f"Linearising is not good enough for {bad} of {len(found.figures)} figures: an end of an interval is off"
            f" by {largest}, which is {show(a.off)} {show.unit} where half a unit in the second significant digit of u,"
            f" {show(a.tolerance)} {show.unit}, is allowed. Believe the"
            " drawn intervals; so far may the shaft's axis be from where it is said to be:"
        )
    wanted = max(f.agreement.trials_wanted(found.trials) for f in found.figures if f.agreement.good is None)
    more = (
        f"About {math.ceil(wanted / found.trials) * found.trials}"
        if wanted <= _MOST
        else f"More than {_MOST}"
    )
    return (
        "Too few trials to tell whether linearising is good enough to two significant digits of u. It seems to move"
        f" an end of an interval by {largest}, give or take {_percent(2.0 * a.bent_chance / a.u_linear)}."
        f" {more} trials would tell."
    )


def _percent(share: float) -> str:
    return f"{100.0 * share:.2g} %"


class _Show:
    """Shows lengths or slopes to a fixed digit, one finer than the second of u."""

    def __init__(self, factor: float, unit: str, u: float) -> None:
        self._factor = factor
        self.unit = unit
        self._decimals = max(0, 2 - math.floor(math.log10(factor * u)))

    def __call__(self, value: float, *, signed: bool = False) -> str:
        return shown(self._factor * value, self._decimals, signed=signed)


def _in(figure: Figure, units: Units) -> _Show:
    """Return how to show a figure in what the person reads."""
    u = figure.agreement.u_linear
    if units == "mm" or figure.unit != "mm":
        # A slope is the same number in mm/m and mil/in.
        return _Show(1e3, figure.unit if units == "mm" else "mil/in", u)
    return _Show(1.0 / METRES["mil"], "mil", u)


def _quantities(feet: tuple[str, ...]) -> Iterator[tuple[int, str, str]]:
    """Yield place among the compared figures, name and unit: up before sideways, as people look."""
    yield from ((2, "vertical offset", "mm"), (3, "vertical slope", "mm/m"))
    yield from ((0, "horizontal offset", "mm"), (1, "horizontal slope", "mm/m"))
    n = len(feet)
    yield from ((POSE + n + i, f"{name}, vertical", "mm") for i, name in enumerate(feet))
    yield from ((POSE + i, f"{name}, horizontal", "mm") for i, name in enumerate(feet))
