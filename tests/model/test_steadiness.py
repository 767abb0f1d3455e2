"""The steadiness test's threshold against its own Monte Carlo, and against things that do move."""

import numpy as np
import pytest

from livealign.model.steadiness import STEADY_BELOW, Steadiness


def ratios(n: int, seed: int) -> np.ndarray:
    test = Steadiness(1.0)
    out = np.empty(n)
    for i, value in enumerate(np.random.default_rng(seed).normal(size=n)):
        test.add(float(value))
        out[i] = test.ratio
    return out[50:]


def test_white_noise_at_rest_is_taken_for_steady_99_times_in_100() -> None:
    # Own Monte Carlo for the filter factors (.2, .1, .1): mean 1.039, 95 % 1.440, 99 % 1.725.
    seen = ratios(200_000, seed=7)
    assert seen.mean() == pytest.approx(1.039, abs=0.01)
    assert np.quantile(seen, 0.95) == pytest.approx(1.440, abs=0.03)
    assert np.quantile(seen, 0.99) == pytest.approx(STEADY_BELOW, abs=0.05)


def test_a_ramp_is_noticed() -> None:
    test = Steadiness(1.0)
    for i, noise in enumerate(np.random.default_rng(1).normal(size=60)):
        test.add(float(noise) + 1.0 * i)
    assert test.ratio > STEADY_BELOW
