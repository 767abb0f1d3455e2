"""The budget that a person reads: every figure, its parts, the largest of them and what would shrink it."""

import numpy as np
import pytest

from livealign.advice.budget_words import budget_lines
from livealign.advice.corrections import feet_moves
from livealign.model.belief import Belief, from_fit
from livealign.model.rig import Detector, RigModel, beta_covariance

DETECTORS = tuple(
    Detector(name, x, sign, 0.0, 0.0, 2e-6, 1e-4, i, i)
    for i, (name, x, sign) in enumerate([("S", -0.13, 1.0), ("M", 0.13, -1.0)])
)
MODEL = RigModel(
    DETECTORS, beta_covariance([0.0] * 2, [0.0] * 2, np.zeros((4, 4))), 2, np.array([0.33, 0.75]), (2, 3)
)
FEET = ("near feet", "far feet")


def believed(u_m: float, u_slope: float) -> Belief:
    cov = np.diag([1e-12, 1e-12, u_m**2, u_slope**2, u_m**2, u_slope**2])
    return from_fit(np.zeros(6), cov, np.zeros((6, 8)), MODEL, (True,) * 4)


def lines(belief: Belief, target_cov: np.ndarray) -> dict[str, tuple[float, str, str]]:
    told = budget_lines(MODEL, belief, 1000.0, feet=FEET, diameter_m=0.16, target_cov=target_cov)
    return {line.quantity: (line.u, line.largest, line.remedy) for line in told}


def test_readings_alone_make_the_uncertainty_of_a_perfect_rig() -> None:
    told = lines(believed(3e-6, 10e-6), np.zeros((4, 4)))
    assert told["vertical offset"][:2] == (pytest.approx(0.003), "readings")
    assert told["vertical gap"][0] == pytest.approx(0.16 * 0.010)
    assert told["far feet, vertical"][0] == pytest.approx(np.hypot(0.003, 0.75 * 0.010), abs=1e-6)
    assert "turn" in told["far feet, vertical"][2]


def test_an_uncertain_growth_makes_the_moves_uncertain_but_not_the_pose() -> None:
    belief = believed(3e-6, 10e-6)
    growth = np.diag([0.0, 0.0, (20e-6) ** 2, 0.0])
    told = lines(belief, growth)
    assert told["vertical offset"][0] == pytest.approx(0.003)
    assert told["near feet, vertical"][1] == "target"
    assert told["near feet, vertical"][0] == pytest.approx(
        np.hypot(np.hypot(0.003, 0.33 * 0.010), 0.020), abs=1e-6
    )
    assert told["near feet, horizontal"][1] == "readings"
    # The moves themselves say the same.
    near = feet_moves(MODEL, FEET, belief.loosened(growth), np.zeros(4), "mm")[0]
    assert near.vertical_u_mm == pytest.approx(told["near feet, vertical"][0], abs=1e-6)


def test_what_is_not_observable_has_no_line() -> None:
    from dataclasses import replace

    blind = replace(believed(3e-6, 10e-6), observable=(True, False, True, True))
    told = lines(blind, np.zeros((4, 4)))
    assert "horizontal slope" not in told
    assert "near feet, horizontal" not in told
    assert "near feet, vertical" in told
