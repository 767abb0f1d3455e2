"""What a benchmark gives: figures beside a plain reference, and how they are printed."""

import os
import platform
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

__all__ = ["Figure", "as_json", "machine", "percentile", "table"]


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured value, beside what a plain program needs for the same where there is such a thing."""

    name: str
    value: float
    unit: str
    reference: float = 0.0
    reference_name: str = ""
    aim: str = ""
    reached: bool | None = None

    @property
    def ratio(self) -> float:
        return self.value / self.reference if self.reference else float("nan")


def percentile(values: Iterable[float], q: float) -> float:
    return float(np.percentile(np.fromiter(values, float), q))


def machine() -> dict[str, Any]:
    """Where and under what load the figures were taken."""
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else None
    return {"python": platform.python_version(), "cores": os.cpu_count(), "load": load}


def as_json(figures: Iterable[Figure]) -> list[dict[str, Any]]:
    return [{**asdict(f), "ratio": f.ratio} for f in figures]


def table(figures: Iterable[Figure]) -> str:
    rows = [("", "livealign", "reference", "ratio", "aim", "")]
    for f in figures:
        mark = {None: "", True: "reached", False: "MISSED"}[f.reached]
        beside = (f"{f.reference:,.4g} {f.unit} {f.reference_name}", f"{f.ratio:.3g} x")
        rows.append(
            (f.name, f"{f.value:,.4g} {f.unit}", *(beside if f.reference_name else ("", "")), f.aim, mark)
        )
    widths = [max(len(row[i]) for row in rows) for i in range(6)]
    return "\n".join(
        "  " + "  ".join(cell.ljust(wide) for cell, wide in zip(row, widths, strict=True)).rstrip()
        for row in rows
    )
