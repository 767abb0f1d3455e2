"""A fit that goes on from the last one, while more readings come, says what a fit from nothing says."""

import numpy as np

from livealign.model.rig import Detector, RigModel, beta_covariance
from livealign.model.sweep import Sweep

NOISE_M = 2e-6
MODEL = RigModel(
    tuple(
        Detector(name, x, sign, 0.0, 0.0, NOISE_M, 1e-3, i, i)
        for i, (name, x, sign) in enumerate([("S", -0.13, 1.0), ("M", 0.13, -1.0)])
    ),
    beta_covariance([1e-3] * 2, [1e-3] * 2, np.diag([5e-4] * 4) ** 2),
    2,
    np.array([0.33, 0.75]),
    (2, 3),
)
POSE = np.array([0.36e-3, -0.4e-3, -0.67e-3, -0.55e-3])


def test_live_fits_end_where_a_fit_from_nothing_does_though_the_noise_grows() -> None:
    rng = np.random.default_rng(3)
    live, anew = Sweep(MODEL), Sweep(MODEL)
    for step in range(400):
        angle = 0.01 * (5 * step + np.arange(5))
        noise_m = NOISE_M if step < 200 else 3.0 * NOISE_M
        for i in range(2):
            by_sin, by_cos = MODEL.amplitudes(i, POSE)
            value = by_sin * np.sin(angle) + by_cos * np.cos(angle) + rng.normal(0.0, noise_m, 5)
            value += (rng.random(5) < 0.05) * 1e-3
            for sweep in (live, anew):
                sweep.add(i, angle, value)
        live.fit(live=True)
    fit = live.fit(live=True)
    whole = anew.fit()
    assert fit is not None
    assert whole is not None
    u = np.sqrt(np.diag(whole.belief.pose_cov))
    assert np.all(np.abs(fit.belief.pose - whole.belief.pose) < 0.1 * u)
    # The scale of the noise is found anew when a fifth more has come.
    np.testing.assert_allclose(fit.noise_m, whole.noise_m, rtol=0.15)
    assert abs(fit.left_out - whole.left_out) <= 0.1 * whole.left_out
