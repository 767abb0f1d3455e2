"""Shim packs: the exact choice for a whole machine, beside the nearest pack for each foot by itself in plain Python."""

import statistics
import time
from collections.abc import Callable
from functools import partial
from itertools import combinations_with_replacement

import numpy as np
from figures import Figure

from livealign.advice.moves import FootPlane, Joint, Machine, Range, least_moves
from livealign.advice.shims import INCH, METRIC, MOST_SHIMS, Plane, Stock, shim_plan
from livealign.advice.verdict import flex_plane

__all__ = ["measure"]

RUNS = 9
AIM_MS = 200.0
TOLERANCE = flex_plane(0.1, 0.5e-3)
FEET_X_M = {4: (0.33, 0.75), 8: (0.33, 0.6, 0.9, 1.2)}


def measure() -> list[Figure]:
    figures = []
    for feet, x_m in FEET_X_M.items():
        for name, stock in (("metric", METRIC), ("inch", INCH)):
            machines = [_machine(x_m, stock, seed) for seed in range(RUNS + 1)]
            took = [_ms(partial(_planned, planes, stock)) for planes in machines][
                1:
            ]  # the first loads the solver
            plain = statistics.median(_ms(partial(_each_foot, planes, stock)) for planes in machines)
            middle = statistics.median(took)
            text = f"{feet} feet, {name} shims"
            figures.append(
                Figure(text, middle, "ms", plain, "foot by foot", f"< {AIM_MS:.0f} ms", middle < AIM_MS)
            )
    return [
        *figures,
        Figure("plan for both machines", statistics.median(_ms(_moves) for _ in range(RUNS)), "ms"),
    ]


def _planned(planes: tuple[Plane, ...], stock: Stock) -> None:
    shim_plan(planes, stock, "mm", criterion=TOLERANCE)


def _machine(x_m: tuple[float, ...], stock: Stock, seed: int) -> tuple[Plane, ...]:
    rng = np.random.default_rng(seed)
    sizes = list(stock.counts)
    offset, slope = rng.uniform(-0.6e-3, 0.6e-3, 2)
    return tuple(
        Plane(
            f"plane {i}", x, offset + slope * x, tuple(rng.choice(sizes, 3)), tuple(rng.choice(sizes, 3))
        )
        for i, x in enumerate(x_m)
    )  # fmt: skip


def _each_foot(planes: tuple[Plane, ...], stock: Stock) -> None:
    for plane in planes:
        for now in (plane.left, plane.right):
            wanted = sum(now) + plane.up_m
            min(
                (
                    pack
                    for n in range(MOST_SHIMS + 1)
                    for pack in combinations_with_replacement(stock.counts, n)
                ),
                key=lambda pack: abs(sum(pack) - wanted),
            )


def _moves() -> None:
    bound = Range(low_m=-0.1e-3)
    pump = Machine("pump", (FootPlane("near", -0.3, bound), FootPlane("far", -0.7, bound)))
    motor = Machine("motor", (FootPlane("near", 0.33, bound), FootPlane("far", 0.75, bound)))
    joint = Joint("coupling", 0.0, np.array([0.2e-3, 0.3e-3, 0.5e-3, -0.4e-3]), TOLERANCE.across)
    least_moves((pump, motor), (joint,), "mm", aim=0.5, by="largest")


def _ms(run: Callable[[], object]) -> float:
    begin = time.perf_counter()
    run()
    return 1e3 * (time.perf_counter() - begin)
