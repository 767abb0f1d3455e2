"""Uncertainty against the worked examples of the GUM (JCGM 100), its Monte Carlo supplement (101) and JCGM 106."""

import numpy as np
import pytest
from scipy.stats import norm

from livealign.advice.verdict import Criterion, judge, offset_angle
from livealign.model.belief import Belief, from_fit
from livealign.model.linear import solve
from livealign.model.rig import POSE, FloatArray, RigModel
from livealign.snapshot import Verdict

ALL = (True, True, True, True)
ENOUGH = 0.95
WITHIN = 0.003
"""What a probability may be off by: the verdict takes its mean over fixed directions."""


def model_of(beta_cov: FloatArray, foot_m: float = 0.0) -> RigModel:
    """No detector, a covariance of what is systematic, one foot plane whose distance is the last of it."""
    return RigModel((), beta_cov, beta_cov.shape[0] - 1, np.array([foot_m]), (0,))


def offset_within(limit: float) -> Criterion:
    """A limit on the length of the offset (3 o'clock, up) alone."""
    return offset_angle(limit, 1e9, "test", "metric")


def verdict(mean: tuple[float, float], cov: FloatArray, limit: float) -> Verdict:
    """The verdict on an offset (3 o'clock, up) of given covariance."""
    pose_cov = np.zeros((POSE, POSE))
    pose_cov[np.ix_([0, 2], [0, 2])] = cov
    pose = np.array([mean[0], 0.0, mean[1], 0.0])
    return judge(offset_within(limit), Belief(pose, pose_cov, 0, ALL), np.zeros(POSE), ENOUGH)


def probability(mean: tuple[float, float], cov: FloatArray, limit: float) -> float:
    seen = verdict(mean, cov, limit).probability
    assert seen is not None
    return seen


# GUM (JCGM 100:2008), H.3: calibration of a thermometer, 11 readings, reference temperature 20 C.
H3_TEMPERATURE = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
H3_CORRECTION = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])


def h3() -> tuple[FloatArray, FloatArray, float]:
    """Intercept and slope, their covariance, residual standard deviation."""
    a = np.column_stack([np.ones(11), H3_TEMPERATURE - 20.0])
    seen = solve(a, H3_CORRECTION, np.ones(11))
    residual = H3_CORRECTION - a @ seen.x
    s2 = float(residual @ residual) / (11 - seen.rank)
    return seen.x, s2 * seen.cov, s2**0.5


def test_gum_h3_straight_line() -> None:
    line, cov, s = h3()
    u = np.sqrt(np.diag(cov))
    assert line == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert line[1] == pytest.approx(0.00218, abs=5e-6)
    assert u[0] == pytest.approx(0.0029, abs=5e-5)
    assert u[1] == pytest.approx(0.00067, abs=5e-6)
    assert cov[0, 1] / (u[0] * u[1]) == pytest.approx(-0.930, abs=5e-4)
    assert s == pytest.approx(0.0035, abs=5e-5)


def test_gum_h3_at_30_degrees_is_a_foot_ten_behind_the_coupling() -> None:
    # The same sum as an axis carried out to a foot: offset and slope, correlated, at a distance.
    line, cov, _ = h3()
    pose_cov = np.zeros((POSE, POSE))
    pose_cov[:2, :2] = pose_cov[2:, 2:] = cov
    model = model_of(np.zeros((1, 1)), foot_m=30.0 - 20.0)
    joint = np.zeros((POSE + 1, POSE + 1))
    joint[:POSE, :POSE] = pose_cov
    belief = Belief(np.array([*line, *line, 0.0]), joint, 0, ALL)
    by_pose, _ = model.foot_rows(belief.pose)
    assert by_pose @ belief.pose == pytest.approx([-0.1494, -0.1494], abs=5e-5)
    assert np.sqrt(np.diag(belief.feet_cov(model))) == pytest.approx([0.0041, 0.0041], abs=5e-5)


def test_gum_h3_ignoring_the_correlation_would_be_wrong_twice_over() -> None:
    # GUM H.3.5 on why the covariance must be carried.
    _, cov, _ = h3()
    row = np.array([1.0, 10.0])
    assert np.sqrt(row @ cov @ row) < 0.6 * np.sqrt(np.square(row) @ np.diag(cov))


def test_gum_h2_inputs_read_together_give_correlated_outputs() -> None:
    # GUM (JCGM 100:2008) H.2: resistance R, reactance X, impedance Z from voltage, current and phase read together.
    # The readings (its Table H.2) are from memory; the means, u and r below are the published results.
    volt = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    ampere = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    v, i, p = volt.mean(), ampere.mean(), phase.mean()
    inputs = np.cov(np.stack([volt, ampere, phase])) / 5
    z = v / i
    outputs = np.array([z * np.cos(p), z * np.sin(p), z, 0.0])
    sensitivity = np.array(
        [
            [np.cos(p) / i, -z * np.cos(p) / i, -z * np.sin(p)],
            [np.sin(p) / i, -z * np.sin(p) / i, z * np.cos(p)],
            [1.0 / i, -z / i, 0.0],
            [0.0, 0.0, 0.0],
        ]
    )
    # What is systematic is the inputs; the fit has no noise of its own.
    belief = from_fit(outputs, np.zeros((4, 4)), sensitivity, model_of(inputs), ALL)
    assert belief.pose[:3] == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    u = np.sqrt(np.diag(belief.pose_cov)[:3])
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)  # u(X) is 0.2956 before rounding
    r = belief.pose_cov[:3, :3] / np.outer(u, u)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=5e-4)


def test_jcgm_101_four_gaussian_quantities() -> None:
    # JCGM 101:2008, 9.2.2: the sum of four N(0, 1): u 2.0, 95 % within 3.92.
    ones = np.zeros((POSE, 4))
    ones[0] = 1.0
    belief = from_fit(np.zeros(POSE), np.zeros((POSE, POSE)), ones, model_of(np.eye(4)), ALL)
    assert belief.pose_cov[0, 0] ** 0.5 == pytest.approx(2.0)
    seen = judge(offset_within(3.92), belief, np.zeros(POSE), ENOUGH)
    assert seen.probability == pytest.approx(0.95, abs=WITHIN)


def test_jcgm_101_four_rectangular_quantities_are_judged_on_the_safe_side() -> None:
    # JCGM 101:2008, 9.2.3: four rectangular of unit variance: u 2.0 too, but 95 % already within 3.88.
    total = np.random.default_rng(101).uniform(-(3**0.5), 3**0.5, (4, 1_000_000)).sum(axis=0)
    assert total.std() == pytest.approx(2.0, abs=0.005)
    assert np.quantile(np.abs(total), 0.95) == pytest.approx(3.88, abs=0.01)
    # Taken for Gaussian, as every systematic quantity is here, the claim is smaller, by less than a hundredth.
    claimed = probability((0.0, 0.0), np.diag([4.0, 0.0]), 3.88)
    share = float((np.abs(total) <= 3.88).mean())
    assert share - 0.01 < claimed < share
    assert 2.0 * norm.cdf(3.88 / 2.0) - 1.0 < 0.95


def test_jcgm_101_a_squared_length_near_zero_is_biased_but_the_verdict_is_not() -> None:
    # JCGM 101:2008, 9.4: y = x1^2 + x2^2 at zero, u 0.005 each: mean and u 50e-6 though the best estimate is 0.
    # A combined offset sqrt(V^2 + H^2) is such a figure: by itself it says that a perfect alignment is off by 1.25 u.
    x = np.random.default_rng(94).normal(0.0, 0.005, (2, 1_000_000))
    y = np.square(x).sum(axis=0)
    assert y.mean() == pytest.approx(50e-6, rel=0.005)
    assert y.std() == pytest.approx(50e-6, rel=0.01)
    assert np.sqrt(y).mean() == pytest.approx(np.sqrt(np.pi / 2.0) * 0.005, rel=0.005)
    # The verdict weighs the pose itself: estimate 0 of the limit, and the whole probability 1 - exp(-L^2/2u^2).
    seen = verdict((0.0, 0.0), 0.005**2 * np.eye(2), 150e-6**0.5)
    assert seen.used == 0.0
    assert seen.probability == pytest.approx(0.95, abs=WITHIN)  # 101's 95 % interval ends at 150e-6


@pytest.mark.parametrize("limit_in_u", [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0])
def test_with_no_offset_the_probability_is_rayleighs(limit_in_u: float) -> None:
    expected = 1.0 - np.exp(-(limit_in_u**2) / 2.0)
    assert probability((0.0, 0.0), np.eye(2), limit_in_u) == pytest.approx(expected, abs=WITHIN)


def test_a_far_offset_is_judged_by_its_length_alone() -> None:
    # JCGM 101:2008, 9.4.3: far from zero the bias is gone, and the length is Gaussian with the u of its direction.
    mean = (30e-3, 40e-3)  # 50e-3 at u 5e-3
    for limit in (45e-3, 50e-3, 55e-3, 60e-3):
        assert probability(mean, 0.005**2 * np.eye(2), limit) == pytest.approx(
            norm.cdf((limit - 50.25e-3) / 5e-3), abs=WITHIN
        )


@pytest.mark.parametrize("margin_in_u", [-3.0, -2.0, -1.0, 0.0, 0.5, 1.0, 1.645, 2.0, 3.0])
def test_jcgm_106_one_sided_conformance(margin_in_u: float) -> None:
    # JCGM 106:2012: P(conforms) = Phi((T - y)/u). The other side of a length, -T, is 40 u away.
    limit, u = 1.0, 0.05
    seen = probability((limit - margin_in_u * u, 0.0), np.diag([u**2, 0.0]), limit)
    assert seen == pytest.approx(norm.cdf(margin_in_u), abs=WITHIN)


def test_jcgm_106_two_sided_example() -> None:
    # y 13.6, u 1.8, limits 12.5 and 16.3: published as 66 % (JCGM 106:2012, from memory), 0.6626 by the formula.
    exact = norm.cdf((16.3 - 13.6) / 1.8) - norm.cdf((12.5 - 13.6) / 1.8)
    assert exact == pytest.approx(0.6626, abs=5e-5)
    pose_cov = np.diag([1.8**2, 0.0, 0.0, 0.0])
    target = np.array([(12.5 + 16.3) / 2.0, 0.0, 0.0, 0.0])
    belief = Belief(np.array([13.6, 0.0, 0.0, 0.0]), pose_cov, 0, ALL)
    seen = judge(offset_within((16.3 - 12.5) / 2.0), belief, target, ENOUGH)
    assert seen.probability == pytest.approx(exact, abs=WITHIN)
    assert seen.state == "undecided"


def test_jcgm_106_a_guard_band_of_the_expanded_uncertainty() -> None:
    # JCGM 106:2012, 8.3: guard band w = U = 2 u. At the acceptance limit T - U the probability is Phi(2), 97.7 %.
    limit, u = 1.0, 0.05
    assert norm.cdf(2.0) >= 0.977
    accepted = verdict((limit - 2.0 * u, 0.0), np.diag([u**2, 0.0]), limit)
    assert accepted.probability == pytest.approx(0.97725, abs=WITHIN)
    assert accepted.state == "conforming"


@pytest.mark.parametrize(
    ("margin_in_u", "state"),
    [
        (2.02, "conforming"),
        (1.98, "undecided"),
        (0.0, "undecided"),
        (-1.98, "undecided"),
        (-2.02, "not conforming"),
    ],
)
def test_with_a_guard_band_given_it_decides(margin_in_u: float, state: str) -> None:
    # ISO 14253-1:2017: conformity is proven inside the guard band, non-conformity beyond it on the other side.
    limit, u = 1.0, 0.05
    criterion = offset_angle(limit, 1e9, "test", "metric", guard=2.0)
    belief = Belief(
        np.array([limit - margin_in_u * u, 0.0, 0.0, 0.0]), np.diag([u**2, 0.0, 0.0, 0.0]), 0, ALL
    )
    assert judge(criterion, belief, np.zeros(POSE), ENOUGH).state == state


def test_iso_14253_between_proven_and_disproven_lies_undecided() -> None:
    # ISO 14253-1:2017: conformity is proven inside the guard band, non-conformity beyond it on the other side,
    # neither between. At 95 % the band is 1.645 u.
    limit, u = 1.0, 0.05
    states = {
        in_u: verdict((limit - in_u * u, 0.0), np.diag([u**2, 0.0]), limit).state
        for in_u in (2.0, 1.75, 1.5, 0.0, -1.5, -1.75, -2.0)
    }
    assert states == {
        2.0: "conforming",
        1.75: "conforming",
        1.5: "undecided",
        0.0: "undecided",
        -1.5: "undecided",
        -1.75: "not conforming",
        -2.0: "not conforming",
    }
