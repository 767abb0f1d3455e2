"""What must not depend on choices: where angles begin, which head is called first, the unit, order and batches."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livealign.model.rig import Detector, FloatArray, RigModel, beta_covariance
from livealign.model.sweep import Sweep, SweepFit

DETECTORS = tuple(
    Detector(name, x, sign, 0.0, 0.0, 2e-6, float(np.radians(0.05)), i, i)
    for i, (name, x, sign) in enumerate([("S", -0.11, 1.0), ("M", 0.13, -1.0)])
)
"""No sag: gravity does not turn with the angle's zero."""
BETA = beta_covariance([np.radians(0.2)] * 2, [0.002] * 2, np.diag([7e-4, 7e-4, 1e-3, 1.4e-3]) ** 2)
MODEL = RigModel(DETECTORS, BETA, 2, np.array([0.33, 0.75]), (2, 3))
STOPS_AT = 0.01
"""In u. The fit stops when no parameter moves by more than 1e-3 u: when that is may differ, where it leads to may not."""
FEW = settings(max_examples=25, deadline=None, derandomize=True)


@dataclass(frozen=True)
class Readings:
    """Of each detector: shaft angles in degrees, and positions in metres."""

    degrees: list[FloatArray]
    value: list[FloatArray]


def make(seed: int, n: int, arc: int, first: int) -> Readings:
    """Readings of a random pose over an arc, with noise and a few gross errors.

    Angles keep clear of whole degrees, where rounding would decide to which of two degrees a reading is pooled.
    """
    rng = np.random.default_rng(seed)
    pose = rng.normal(0.0, 1.0, 4) * [5e-4, 7e-4, 5e-4, 7e-4]
    degrees, value = [], []
    for i in range(2):
        told = np.sort(first + rng.integers(0, arc, n) + rng.uniform(0.05, 0.95, n))
        true = np.radians(told) + rng.normal(0.0, DETECTORS[i].angle_noise_rad, n)
        x = np.concatenate([rng.normal(0.0, 1e-3, 2), pose])
        seen = MODEL.rows(i, np.sin(true), np.cos(true)) @ x + rng.normal(0.0, 2e-6, n)
        seen[rng.random(n) < 0.03] += 4e-4
        degrees.append(told)
        value.append(seen)
    return Readings(degrees, value)


def readings(most: int = 120) -> st.SearchStrategy[Readings]:
    return st.builds(
        make, st.integers(0, 2**32 - 1), st.integers(40, most), st.integers(40, 500), st.integers(-360, 360)
    )


def fit(seen: Readings, model: RigModel = MODEL, batches: Sequence[int] = ()) -> SweepFit:
    sweep = Sweep(model)
    for i, (degrees, value) in enumerate(zip(seen.degrees, seen.value, strict=True)):
        for part in np.split(np.arange(value.size), batches):
            sweep.add(i, np.radians(degrees[part]), value[part])
    result = sweep.fit()
    assert result is not None
    return result


def of_fit(result: SweepFit) -> tuple[FloatArray, FloatArray]:
    """Constants and pose, and their covariance with what is systematic."""
    return result.belief.mean[:6], result.belief.cov[:6, :6]


def same(
    got: SweepFit,
    wanted: SweepFit,
    by: FloatArray | None = None,
    *,
    within_u: float = 1e-5,
    beside: FloatArray | None = None,
) -> None:
    """Hold a fit against another one's, turned over by a matrix (and moved `beside`), in units of u."""
    x, cov = of_fit(wanted)
    by = np.eye(6) if by is None else by
    x, cov = by @ x + (0.0 if beside is None else beside), by @ cov @ by.T
    got_x, got_cov = of_fit(got)
    u = np.sqrt(np.diag(cov))
    assert np.abs((got_x - x) / u).max() < within_u
    assert np.abs((got_cov - cov) / np.outer(u, u)).max() < within_u
    assert got.left_out == wanted.left_out
    assert got.readings == wanted.readings


def turning(alpha: float) -> FloatArray:
    """What adding alpha to every angle does to constants and pose: (Y, Z) turns with it."""
    c, s = np.cos(alpha), np.sin(alpha)
    by = np.eye(6)
    by[np.ix_([2, 4], [2, 4])] = by[np.ix_([3, 5], [3, 5])] = [[c, s], [-s, c]]
    return by


def changed(seen: Readings, degrees: Callable[[FloatArray], FloatArray]) -> Readings:
    return Readings([degrees(d) for d in seen.degrees], seen.value)


@FEW
@given(readings(), st.integers(-180, 180), st.integers(-50, 50))
def test_turning_the_angles_zero_turns_the_pose(seen: Readings, alpha_deg: int, turns: int) -> None:
    before = fit(seen)
    turned = fit(changed(seen, lambda d: d + alpha_deg))
    same(turned, before, turning(np.radians(alpha_deg)), within_u=STOPS_AT)
    same(fit(changed(seen, lambda d: d + 360.0 * turns)), before)  # full turns more change nothing


@FEW
@given(readings(), st.floats(-180.0, 180.0))
def test_by_any_angle_too_but_for_the_pooling(seen: Readings, alpha_deg: float) -> None:
    # Other readings share a degree then: that may cost a fraction of u, no more.
    alpha = np.radians(alpha_deg)
    before, after = fit(seen), fit(changed(seen, lambda d: d + alpha_deg))
    u = np.sqrt(np.diag(turning(alpha) @ before.belief.cov[:6, :6] @ turning(alpha).T))
    assert np.abs((after.belief.mean[:6] - turning(alpha) @ before.belief.mean[:6]) / u).max() < 0.5


@FEW
@given(readings())
def test_swapping_the_heads_swaps_signs(seen: Readings) -> None:
    before = fit(seen)
    # Each on the other's shaft: the other axis is now the reference, and all is opposite.
    swapped = replace(MODEL, detectors=tuple(replace(d, sign=-d.sign) for d in DETECTORS))
    same(fit(seen, swapped), before, np.diag([1.0, 1.0, -1.0, -1.0, -1.0, -1.0]))
    # Each in the mirrored plane: x runs the other way, and slopes with it.
    mirrored = replace(MODEL, detectors=tuple(replace(d, x_m=-d.x_m) for d in DETECTORS))
    same(fit(seen, mirrored), before, np.diag([1.0, 1.0, 1.0, -1.0, 1.0, -1.0]))
    # The other one called first: only the constants change places.
    renamed = replace(MODEL, detectors=DETECTORS[::-1])
    exchange = np.eye(6)
    exchange[:2, :2] = [[0.0, 1.0], [1.0, 0.0]]
    same(fit(Readings(seen.degrees[::-1], seen.value[::-1]), renamed), before, exchange)


@FEW
@given(readings(), st.floats(0.1, 10.0))
def test_a_rig_ten_times_the_size_has_ten_times_the_offsets_and_the_same_slopes(
    seen: Readings, k: float
) -> None:
    lengths = np.array([1.0, 1.0, 1.0, 1.0, k, k, k, k])
    grown = RigModel(
        tuple(replace(d, x_m=k * d.x_m, noise_m=k * d.noise_m) for d in DETECTORS),
        BETA * np.outer(lengths, lengths),
        2,
        k * MODEL.feet_x_m,
        MODEL.feet_points,
    )
    larger = fit(Readings(seen.degrees, [k * v for v in seen.value]), grown)
    before = fit(seen)
    same(larger, before, np.diag([k, k, k, 1.0, k, 1.0]))
    assert larger.belief.feet_cov(grown) == pytest.approx(k**2 * before.belief.feet_cov(MODEL), rel=1e-4)
    assert larger.noise_m == pytest.approx(k * before.noise_m)


@FEW
@given(readings(), st.integers(0, 2**32 - 1))
def test_the_order_of_readings_changes_nothing(seen: Readings, seed: int) -> None:
    # Few enough that nothing is said of how each depends on the one before: that does need their order.
    rng = np.random.default_rng(seed)
    order = [rng.permutation(v.size) for v in seen.value]
    shuffled = Readings(
        [d[o] for d, o in zip(seen.degrees, order, strict=True)],
        [v[o] for v, o in zip(seen.value, order, strict=True)],
    )
    same(fit(shuffled), fit(seen))


@FEW
@given(readings(most=300), st.lists(st.integers(0, 300), max_size=12))
def test_how_readings_come_in_batches_changes_nothing(seen: Readings, cuts: list[int]) -> None:
    same(fit(seen, batches=sorted(cuts)), fit(seen))


@pytest.mark.parametrize(
    "batch",
    [
        100,
        7_001,
        40_000,
    ],
)
def test_nor_does_it_when_there_are_more_than_are_kept(batch: int) -> None:
    # 40 000 readings of each head over three turns: neighbours of one degree have been averaged on the way.
    seen = make(7, 40_000, 1080, 0)
    wanted = fit(seen, batches=range(1_000, 40_000, 1_000))
    got = fit(seen, batches=range(batch, 40_000, batch))
    assert got.readings == 80_000
    u = np.sqrt(np.diag(wanted.belief.cov)[:6])
    assert np.abs((got.belief.mean - wanted.belief.mean)[:6] / u).max() < 0.1
    assert np.sqrt(np.diag(got.belief.cov)[:6]) == pytest.approx(u, rel=0.02)
    assert got.left_out == pytest.approx(wanted.left_out, abs=5)


@FEW
@given(readings(most=300), st.lists(st.integers(1, 39), min_size=1, max_size=2))
def test_looking_on_the_way_changes_nothing(seen: Readings, looks: list[int]) -> None:
    # A fit starts where the last one ended; where it ends must not depend on that.
    sweep = Sweep(MODEL)
    for part in np.split(np.arange(300), sorted(looks)):
        for i in range(2):
            here = part[part < seen.value[i].size]
            sweep.add(i, np.radians(seen.degrees[i][here]), seen.value[i][here])
        last = sweep.fit()
    if last is not None:
        same(last, fit(seen), within_u=STOPS_AT)


@FEW
@given(readings(), st.integers(0, 1), st.floats(-10e-3, 10e-3))
def test_a_detectors_aim_changes_its_constant_and_nothing_else(
    seen: Readings, which: int, aim_m: float
) -> None:
    aimed = Readings(seen.degrees, [v + aim_m * (i == which) for i, v in enumerate(seen.value)])
    beside = np.zeros(6)
    beside[which] = aim_m
    same(fit(aimed), fit(seen), beside=beside, within_u=STOPS_AT)


@FEW
@given(readings(), st.integers(0, 1), st.floats(-1e-4, 1e-4))
def test_sag_given_for_a_detector_is_taken_from_its_cosine_alone(
    seen: Readings, which: int, sag_m: float
) -> None:
    sagging = replace(
        MODEL,
        detectors=tuple(replace(d, sag_m=sag_m if i == which else 0.0) for i, d in enumerate(DETECTORS)),
    )
    sagged = [
        v + sag_m * np.cos(np.radians(d)) * (i == which)
        for i, (d, v) in enumerate(zip(seen.degrees, seen.value, strict=True))
    ]
    same(fit(Readings(seen.degrees, sagged), sagging), fit(seen))


@FEW
@given(readings(), st.floats(-180.0, 180.0))
def test_a_detector_mounted_round_the_shaft_sees_the_same_pose(seen: Readings, phase_deg: float) -> None:
    # Its own angle is the shaft's plus its phase; readings taken as if at that angle belong to the same pose.
    phase = np.radians(phase_deg)
    mounted = replace(MODEL, detectors=tuple(replace(d, phase_rad=phase) for d in DETECTORS))
    same(fit(seen, mounted), fit(seen), turning(phase), within_u=STOPS_AT)
