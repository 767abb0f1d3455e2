"""The uncertainty budget against Monte Carlo (JCGM 101) and against closed forms."""

import numpy as np
import pytest
from scipy import stats

from livealign.model.budget import SOURCES, budget, expansion, functionals
from livealign.model.montecarlo import propagate
from livealign.model.rig import Detector, RigModel, beta_covariance
from livealign.model.sweep import Sweep, SweepFit

POSE = np.array([0.4e-3, -0.5e-3, -0.6e-3, 0.9e-3])


def swept(
    zero_deg: float, gain: float, distance_m: float, arc_deg: float = 200.0
) -> tuple[RigModel, SweepFit]:
    detectors = tuple(
        Detector(name, x, sign, 0.0, 0.0, 2e-6, 1e-6, i, i)
        for i, (name, x, sign) in enumerate([("S", -0.13, 1.0), ("M", 0.13, -1.0)])
    )
    beta = beta_covariance([np.radians(zero_deg)] * 2, [gain] * 2, np.diag([distance_m] * 4) ** 2)
    model = RigModel(detectors, beta, 2, np.array([0.33, 0.75]), (2, 3))
    rng = np.random.default_rng(8)
    sweep = Sweep(model)
    angles = np.radians(np.linspace(0.0, arc_deg, 400))
    for i, d in enumerate(detectors):
        across, up = POSE[0] + POSE[1] * d.x_m, POSE[2] + POSE[3] * d.x_m
        sweep.add(
            i, angles, d.sign * (across * np.sin(angles) + up * np.cos(angles)) + rng.normal(0.0, 2e-6, 400)
        )
    fit = sweep.fit()
    assert fit is not None
    return model, fit


def test_it_agrees_with_monte_carlo() -> None:
    model, fit = swept(0.2, 0.002, 1e-3)
    lines = budget(model, fit.belief, functionals(model, fit.belief), fit.freedom)
    draws = propagate(model, fit, 20_000)
    drawn = np.concatenate([draws.pose.std(axis=0), draws.feet.std(axis=0)])
    # 20 000 draws know a standard deviation to 0.5 %; linearising costs the rest.
    assert [line.u for line in lines] == pytest.approx(drawn, rel=0.02)
    low, high = np.quantile(draws.pose[:, 2], [0.025, 0.975])
    assert (high - low) / 2 == pytest.approx(lines[2].k * lines[2].u, rel=0.03)


def test_the_parts_add_up_and_each_is_its_own() -> None:
    for source, quantities in (
        ("angle zeros", (0.5, 0.0, 0.0)),
        ("gains", (0.0, 0.01, 0.0)),
        ("distances", (0.0, 0.0, 3e-3)),
    ):
        model, fit = swept(*quantities)
        for line in budget(model, fit.belief, functionals(model, fit.belief), fit.freedom):
            assert np.square(line.parts).sum() == pytest.approx(line.u**2, rel=1e-6)
            others = [p for s, p in zip(SOURCES, line.parts, strict=True) if s not in {source, "readings"}]
            assert others == pytest.approx([0.0] * len(others), abs=1e-12)


def test_an_angle_zero_turns_one_plane_into_the_other() -> None:
    # Published (recomputed): an angle bias of 1 deg leaks 1.75 % of one plane's offset into the other.
    # Both zeros independent, heads symmetric about the coupling: the offset takes their mean, 1 deg / sqrt 2 of each.
    model, fit = swept(1.0, 0.0, 0.0, arc_deg=360.0)
    vertical = budget(model, fit.belief, functionals(model, fit.belief), fit.freedom)[2]
    at_planes = [POSE[0] + POSE[1] * x for x in (-0.13, 0.13)]
    expected = np.radians(1.0) * float(np.hypot(*at_planes)) / 2.0
    assert vertical.parts[SOURCES.index("angle zeros")] == pytest.approx(expected, rel=0.01)
    assert np.tan(np.radians(1.0)) == pytest.approx(0.0175, abs=5e-5)


def test_distance_errors_move_the_feet_by_slope_times_error() -> None:
    model, fit = swept(0.0, 0.0, 1e-3, arc_deg=360.0)
    far_up = budget(model, fit.belief, functionals(model, fit.belief), fit.freedom)[-1]
    by_foot = abs(POSE[3]) * 1e-3
    assert far_up.parts[SOURCES.index("distances")] > 0.99 * by_foot


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 6, 10, 30, 1000])
def test_few_degrees_of_freedom_widen_the_interval_as_student_says(freedom: int) -> None:
    assert expansion(1.0, 1.0, freedom) == pytest.approx(stats.t.ppf(0.975, freedom), rel=2e-3)


def test_welch_and_satterthwaite() -> None:
    # JCGM 100 G.4.2: u^4 / (u_a^4 / nu); half of the variance from 5 degrees of freedom makes 20.
    assert expansion(2.0, 1.0, 5.0) == pytest.approx(stats.t.ppf(0.975, 20.0), rel=1e-4)
    assert expansion(1.0, 0.0, 1.0) == pytest.approx(1.96, abs=1e-3)
