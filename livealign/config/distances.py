"""Where the points along the shafts are, from tape measurements that may be redundant and are not exact."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livealign.config.crosscheck import COUPLING, untied
from livealign.config.job import Job
from livealign.config.rig import Rig
from livealign.errors import PersonError
from livealign.units import length_unit_m

__all__ = ["DetectorPlane", "Positions", "detector_planes", "positions"]

Floats = NDArray[np.float64]

_LEAST_U_M = 1e-5
"""Stands for u = 0, which no measurement has."""
_Z_99 = 2.326
_SAME = 0.99
"""Measurements whose misfit is within this of the greatest cannot be told apart."""


@dataclass(frozen=True, eq=False)
class Positions:
    """The points along the shafts, relative to the coupling's centre; positive toward the movable machine."""

    names: tuple[str, ...]
    x_m: Floats
    """(n,) positions in metres."""
    cov_m2: Floats
    """(n, n) covariance in square metres; the coupling, being the origin, is exact."""
    chi2: float = 0.0
    """Sum of the squared misfits of the measurements, each over its own variance."""
    redundant: int = 0
    """Measurements more than needed: what `chi2` is to be about."""
    suspects: tuple[int, ...] = ()
    """Indices of the distances that fit worst, if together they contradict each other (99 %); else empty."""

    def x(self, name: str) -> float:
        """Return a point's position in metres.

        Raises:
            KeyError: if there is no such point.
        """
        return 0.0 if name == COUPLING else float(self.x_m[self.index(name)])

    def u(self, name: str) -> float:
        """Return the standard uncertainty of a point's position in metres.

        Raises:
            KeyError: if there is no such point.
        """
        if name == COUPLING:
            return 0.0
        i = self.index(name)
        return float(np.sqrt(self.cov_m2[i, i]))

    def index(self, name: str) -> int:
        """Return where a point stands in the arrays.

        Raises:
            KeyError: if there is no such point.
        """
        if name not in self.names:
            raise KeyError(name)
        return self.names.index(name)


def positions(job: Job, extra_points: Iterable[str] = ()) -> Positions:
    """Return the extra points (the heads), the feet in the job's order, then whatever else was measured.

    Weighted least squares: with measurements just enough it is their plain sum, with more it uses them all.

    Raises:
        PersonError: if a point is not tied to the coupling by distances.
    """
    spans = [(d.start, d.end) for d in job.distances]
    wanted = [*extra_points, *(f.name for f in job.feet)]
    loose = untied(spans, wanted)
    if loose:
        quoted = ", ".join(f'"{name}"' for name in sorted(loose))
        raise PersonError(
            f'no chain of distances leads from "{COUPLING}" to {quoted}',
            advice="Add a [[distances]] table to the job file for each.",
        )
    measured = [point for span in spans for point in span]
    names = tuple(name for name in dict.fromkeys([*wanted, *measured]) if name != COUPLING)
    unit = length_unit_m(job.units)
    lengths = np.array([d.length for d in job.distances]) * unit
    u = np.maximum(np.array([d.u for d in job.distances]) * unit, _LEAST_U_M)
    return _solved(names, _design(names, spans), lengths, u)


def _design(names: tuple[str, ...], spans: list[tuple[str, str]]) -> Floats:
    """Return the matrix that makes lengths of positions: +1 at the end, -1 at the start."""
    rows = np.zeros((len(spans), len(names)))
    column = {name: i for i, name in enumerate(names)}
    for row, (start, end) in zip(rows, spans, strict=True):
        if start in column:
            row[column[start]] -= 1
        if end in column:
            row[column[end]] += 1
    return rows


def _solved(names: tuple[str, ...], rows: Floats, lengths: Floats, u: Floats) -> Positions:
    q, r = np.linalg.qr(rows / u[:, None])
    inverse = np.linalg.inv(r)
    x = inverse @ (q.T @ (lengths / u))
    misfit = (lengths - rows @ x) / u
    chi2 = float(misfit @ misfit)
    redundant = len(lengths) - len(names)
    suspects: tuple[int, ...] = ()
    if redundant > 0 and chi2 > _chi2_99(redundant):
        # What is left of a measurement's own variance after the fit: none, if it alone ties a point.
        left = 1 - np.einsum("ij,ij->i", q, q)
        scaled = np.where(left > 1e-9, np.abs(misfit) / np.sqrt(np.maximum(left, 1e-9)), 0.0)
        suspects = tuple(int(i) for i in np.flatnonzero(scaled >= _SAME * scaled.max()))
    return Positions(names, x, inverse @ inverse.T, chi2, redundant, suspects)


def _chi2_99(freedom: int) -> float:
    """Return the 99 % point of chi-square (Wilson and Hilferty 1931; within 1 % here)."""
    a = 2 / (9 * freedom)
    return float(freedom * (1 - a + _Z_99 * np.sqrt(a)) ** 3)


@dataclass(frozen=True, slots=True)
class DetectorPlane:
    """Where a detector looks: its head's mark and its depth in the head together."""

    head: str
    detector: str
    x_m: float


def detector_planes(rig: Rig, where: Positions) -> tuple[DetectorPlane, ...]:
    """Return the plane of every detector, in the rig's order.

    Raises:
        KeyError: if a head that has detectors is not among the positions.
    """
    return tuple(
        DetectorPlane(head.name, detector.name, where.x(head.name) + detector.depth_mm * 1e-3)
        for head in rig.heads
        for detector in head.detectors
    )
