"""A whole sweep's fit against reference solvers on the same readings: statsmodels (OLS, WLS, RLM) and ODRPACK95."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import odrpack
import pytest
import statsmodels.api as sm

from livealign.model.rig import Detector, FloatArray, RigModel
from livealign.model.sweep import Sweep, SweepFit

UM = 1e6
"""The references are given micrometres: their stopping rules are made for figures near 1."""
TRUTH = np.array([3e-3, -1e-3, 0.36e-3, -0.4e-3, -0.67e-3, -0.55e-3])
"""Two constants, then Y0, Y', Z0, Z'."""
READINGS = 800
"""Of each head. Each head's noise is found by itself to 1/sqrt(2 x 800) = 2.5 %; the references pool both heads."""
SEEDS = range(10)


@dataclass(frozen=True)
class Case:
    """One sweep: readings as told, and the design at the angles as told."""

    model: RigModel
    angle: list[FloatArray]
    value: list[FloatArray]

    @property
    def rows(self) -> FloatArray:
        return np.concatenate([self.model.rows(i, np.sin(a), np.cos(a)) for i, a in enumerate(self.angle)])

    @property
    def value_um(self) -> FloatArray:
        return np.concatenate(self.value) * UM

    def fit(self) -> SweepFit:
        sweep = Sweep(self.model)
        for i, (angle, value) in enumerate(zip(self.angle, self.value, strict=True)):
            sweep.add(i, angle, value)
        fit = sweep.fit()
        assert fit is not None
        return fit


def rig(noise_m: Sequence[float], angle_noise_rad: float = 0.0) -> RigModel:
    """Two facing heads of which all is known but their noise."""
    detectors = tuple(
        Detector(f"d{i}", x, sign, 0.0, 0.0, noise, angle_noise_rad, i, i)
        for i, (x, sign, noise) in enumerate(zip((-0.13, 0.13), (1.0, -1.0), noise_m, strict=True))
    )
    return RigModel(detectors, np.zeros((8, 8)), 2, np.array([0.33, 0.75]), (2, 3))


def swept(
    seed: int, model: RigModel, noise_m: Sequence[float], *, arc_deg: float, gross: float = 0.0
) -> Case:
    rng, n = np.random.default_rng(seed), READINGS
    angles, values = [], []
    for i, d in enumerate(model.detectors):
        true = np.radians(rng.uniform(20.0, 20.0 + arc_deg, n))
        value = model.rows(i, np.sin(true), np.cos(true)) @ TRUTH + rng.normal(0.0, noise_m[i], n)
        wrong = rng.random(n) < gross
        value[wrong] += rng.normal(0.0, 1e-3, int(wrong.sum()))
        angles.append(true + rng.normal(0.0, d.angle_noise_rad, n))
        values.append(value)
    return Case(model, angles, values)


def compare(fit: SweepFit, estimate_um: FloatArray, cov_um2: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The differences of the estimates over the reference's u, and the ratios of u; the correlations on the way."""
    ours = fit.belief.cov[:6, :6]
    u_ours, u = np.sqrt(np.diag(ours)), np.sqrt(np.diag(cov_um2)) / UM
    assert ours / np.outer(u_ours, u_ours) == pytest.approx(cov_um2 / np.outer(u, u) / UM**2, abs=0.12)
    return (fit.belief.mean[:6] - estimate_um / UM) / u, u_ours / u


def hold(pairs: list[tuple[FloatArray, FloatArray]], *, rms_u: float, most_u: float) -> None:
    """All sweeps together: estimates apart by no more than this, u within 10 % each time and 3 % on average."""
    apart, ratio = (np.array(column) for column in zip(*pairs, strict=True))
    assert np.sqrt(np.mean(np.square(apart))) < rms_u
    assert np.abs(apart).max() < most_u
    assert np.all(np.abs(ratio - 1.0) < 0.1)
    assert ratio.mean() == pytest.approx(1.0, abs=0.03)


# Robust weights on Gaussian noise cost 2 % of efficiency: that alone sets estimates sqrt(0.02) = 0.14 u apart.


@pytest.mark.parametrize("arc_deg", [90.0, 360.0])
def test_on_gaussian_noise_the_fit_is_that_of_ordinary_least_squares(arc_deg: float) -> None:
    pairs = []
    for seed in SEEDS:
        case = swept(seed, rig((2e-6, 2e-6)), (2e-6, 2e-6), arc_deg=arc_deg)
        reference = sm.OLS(case.value_um, case.rows).fit()
        pairs.append(compare(case.fit(), reference.params, reference.cov_params()))
    hold(pairs, rms_u=0.2, most_u=0.6)


@pytest.mark.parametrize("declared_m", [(1e-6, 4e-6), (2e-6, 2e-6)], ids=["declared rightly", "wrongly"])
def test_with_unequal_heads_the_fit_is_that_of_weighted_least_squares(declared_m: Sequence[float]) -> None:
    # The reference is told the true noise; the sweep finds it, declared rightly or not.
    true_m = (1e-6, 4e-6)
    pairs = []
    for seed in SEEDS:
        case = swept(seed, rig(declared_m), true_m, arc_deg=120.0)
        fit = case.fit()
        assert fit.noise_m == pytest.approx(true_m, rel=0.15)
        weights = np.repeat(1.0 / np.square(true_m), READINGS) / UM**2
        reference = sm.WLS(case.value_um, case.rows, weights=weights).fit()
        pairs.append(compare(fit, reference.params, reference.cov_params()))
    hold(pairs, rms_u=0.2, most_u=0.6)


def test_one_gross_error_in_ten_is_treated_as_a_reference_biweight_treats_it() -> None:
    pairs = []
    for seed in SEEDS:
        case = swept(seed, rig((2e-6, 2e-6)), (2e-6, 2e-6), arc_deg=200.0, gross=0.1)
        fit = case.fit()
        reference = sm.RLM(case.value_um, case.rows, M=sm.robust.norms.TukeyBiweight(c=6.0)).fit(maxiter=200)
        pairs.append(compare(fit, reference.params, reference.bcov_scaled))
        # Ordinary least squares would have been led astray: the case is a real one.
        astray = sm.OLS(case.value_um, case.rows).fit()
        assert np.all(np.sqrt(np.diag(fit.belief.cov)[:6]) * UM < 0.05 * astray.bse)
    hold(pairs, rms_u=0.1, most_u=0.3)


@pytest.mark.parametrize("arc_deg", [90.0, 360.0])
def test_with_noisy_angles_the_fit_is_that_of_orthogonal_distances(arc_deg: float) -> None:
    # 0.3 deg of angle noise moves a reading by up to 5 um, its own noise is 2 um: which readings count depends on
    # the slope, and so on the pose sought. ODRPACK95 (Zwolak, Boggs & Watson 2007) estimates every true angle besides.
    noise_m, angle_noise = (2e-6, 2e-6), float(np.radians(0.3))
    pairs = []
    for seed in SEEDS:
        case = swept(seed, rig(noise_m, angle_noise), noise_m, arc_deg=arc_deg)
        fit = case.fit()

        def read(angle: FloatArray, parameters: FloatArray, model: RigModel = case.model) -> FloatArray:
            sin, cos = np.sin(angle).reshape(2, -1), np.cos(angle).reshape(2, -1)
            return np.concatenate([model.rows(i, sin[i], cos[i]) @ parameters for i in range(2)])

        reference = odrpack.odr_fit(
            read,
            np.concatenate(case.angle),
            case.value_um,
            beta0=np.linalg.lstsq(case.rows, case.value_um, rcond=None)[0],
            weight_x=np.full(2 * READINGS, angle_noise**-2),
            weight_y=np.full(2 * READINGS, (2e-6 * UM) ** -2),
        )
        assert reference.success
        pairs.append(compare(fit, reference.beta, reference.cov_beta))
    hold(pairs, rms_u=0.2, most_u=0.6)
