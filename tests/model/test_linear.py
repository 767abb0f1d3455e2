"""The least-squares solver against reference implementations and hand-made cases."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st

from livealign.model.linear import solve
from livealign.model.rig import Detector, RigModel

DETECTORS = tuple(
    Detector(f"d{i}", x, s, 0.0, 0.0, 1e-6, 0.0, i, i)
    for i, (x, s) in enumerate([(-0.13, 1.0), (0.13, -1.0)])
)
MODEL = RigModel(DETECTORS, np.zeros((6, 6)), 2, np.array([0.98]), (0,))


def test_it_agrees_with_statsmodels_wls() -> None:
    rng = np.random.default_rng(3)
    a = rng.normal(size=(60, 5))
    b = a @ [1.0, -2.0, 0.5, 0.0, 3.0] + rng.normal(size=60)
    w = rng.uniform(0.1, 10.0, 60)
    ours = solve(a, b, w)
    reference = sm.WLS(b, a, weights=w).fit()
    assert ours.x == pytest.approx(reference.params, rel=1e-10)
    assert ours.cov == pytest.approx(reference.normalized_cov_params, rel=1e-9, abs=1e-15)
    assert ours.gain @ b == pytest.approx(ours.x)
    assert ours.rank == 5
    assert all(ours.observable)


def test_longley_is_solved_to_nine_digits() -> None:
    # NIST Longley (ill-conditioned; certified values, NIST Statistical Reference Datasets), data as statsmodels ships it.
    data = sm.datasets.longley.load_pandas()
    a = np.column_stack([np.ones(len(data.endog)), data.exog.to_numpy()])
    certified = [
        -3482258.63459582,
        15.0618722713733,
        -0.358191792925910e-1,
        -2.02022980381683,
        -1.03322686717359,
        -0.511041056535807e-1,
        1829.15146461355,
    ]
    ours = solve(a, data.endog.to_numpy(dtype=float), np.ones(len(a)))
    assert ours.x == pytest.approx(certified, rel=1e-9)


@pytest.mark.parametrize(
    ("arc_deg", "published_um"), [(30, 36.7), (40, 20.7), (60, 9.3), (90, 4.24), (180, 1.21), (360, 0.53)]
)
def test_a_wider_arc_tells_more(arc_deg: float, published_um: float) -> None:
    # 200 readings a detector, 1 um, planes 260 mm apart, arc centred on 12 o'clock, foot 980 mm behind the coupling.
    # The figures were computed by plain normal equations outside this program.
    angles = np.radians(np.linspace(-arc_deg / 2, arc_deg / 2, 200))
    rows = np.concatenate([MODEL.rows(i, np.sin(angles), np.cos(angles)) for i in range(2)])
    cov = solve(rows, np.zeros(400), np.full(400, 1e12)).cov
    foot = np.array([0.0, 0.0, 0.0, 0.0, 1.0, 0.98])
    assert 1e6 * np.sqrt(foot @ cov @ foot) == pytest.approx(published_um, rel=0.02)


def test_one_detector_determines_no_offset_and_no_slope() -> None:
    one = RigModel(DETECTORS[:1], np.zeros((3, 3)), 1, np.array([0.98]), (0,))
    angles = np.radians(np.arange(0.0, 360.0, 5.0))
    seen = solve(one.rows(0, np.sin(angles), np.cos(angles)), np.zeros(angles.size), np.ones(angles.size))
    assert seen.rank == 3
    assert seen.observable == (True, False, False, False, False)


def test_two_detectors_in_one_plane_determine_neither() -> None:
    same = tuple(Detector(f"d{i}", 0.1, s, 0.0, 0.0, 1e-6, 0.0, 0, 0) for i, s in enumerate((1.0, -1.0)))
    model = RigModel(same, np.zeros((4, 4)), 1, np.array([0.98]), (0,))
    angles = np.radians(np.arange(0.0, 360.0, 5.0))
    rows = np.concatenate([model.rows(i, np.sin(angles), np.cos(angles)) for i in range(2)])
    assert solve(rows, np.zeros(len(rows)), np.ones(len(rows))).observable[2:] == (False,) * 4


@given(st.integers(1, 5), st.integers(0, 2**32 - 1))
def test_fewer_readings_than_parameters_are_no_error(m: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    seen = solve(rng.normal(size=(m, 6)), rng.normal(size=m), np.ones(m))
    assert seen.rank <= m
    assert not all(seen.observable)
    assert np.all(np.isfinite(seen.cov))
