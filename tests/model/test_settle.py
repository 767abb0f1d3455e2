"""Where a settling value is heading, and when it will be there."""

import numpy as np
import pytest

from livealign.model.settle import approach


@pytest.mark.parametrize("time_constant", [0.3, 0.6, 2.0])
def test_an_exponential_approach_is_foretold(time_constant: float) -> None:
    rng = np.random.default_rng(2)
    time = np.arange(0.0, 1.5, 0.1)
    value = 0.1e-3 + 0.2e-3 * np.exp(-time / time_constant) + rng.normal(0.0, 0.6e-6, time.size)
    course = approach(time, value, 0.6e-6)
    assert course is not None
    assert course.final == pytest.approx(0.1e-3, abs=12e-6)
    assert course.time_constant_s == pytest.approx(time_constant, rel=0.25)
    left = 0.2e-3 * np.exp(-time[-1] / time_constant)
    assert course.seconds_to(2e-6) == pytest.approx(max(0.0, time_constant * np.log(left / 2e-6)), abs=1.0)


def test_noise_at_rest_is_no_approach() -> None:
    rng = np.random.default_rng(3)
    time = np.arange(0.0, 1.5, 0.1)
    claims = sum(approach(time, rng.normal(0.0, 1e-6, time.size), 1e-6) is not None for _ in range(500))
    assert claims <= 5


def test_a_steady_ramp_has_no_end_to_foretell() -> None:
    time = np.arange(0.0, 1.5, 0.1)
    assert approach(time, 1e-4 * time, 1e-6) is None
