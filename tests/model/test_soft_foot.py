"""What the shaft shows of a loosened foot, by hand and by a frame on springs."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from livealign.model.rig import Detector, RigModel
from livealign.model.shift import Rest, Shift, shift
from livealign.model.soft_foot import ALLOWANCE, foot_rise, shares
from livealign.model.window import Block
from livealign_simulators.frame import Frame, level_frame

X_M = (-0.13, 0.13)
FEET_M = (0.33, 0.75)


def model_of(feet_m: tuple[float, ...] = FEET_M) -> RigModel:
    """Two facing detectors with one angle sensor each, nothing wrong with any of them but the feet's distances: u 1 mm."""
    detectors = tuple(
        Detector(f"head {i}", x, sign, 0.0, 2e-5, 1e-6, 0.0, i, i)
        for i, (x, sign) in enumerate(zip(X_M, (1.0, -1.0), strict=True))
    )
    feet = len(feet_m)
    beta = np.diag([*np.zeros(6), *np.full(feet, 1e-6)])
    return RigModel(detectors, beta, 2, np.array(feet_m), tuple(range(2, 2 + feet)))


def rest(angle_deg: float, pose_mm: tuple[float, float, float, float], u_m: float = 1e-7) -> Rest:
    """Detectors at an angle for a pose (Y0, Y', Z0, Z') in mm and mm/m, by the formula itself."""
    a = np.radians(angle_deg)
    y, dy, z, dz = np.array(pose_mm) * 1e-3
    blocks = tuple(
        Block(
            0.0,
            2.0,
            200,
            0.2e-3 + sign * ((y + dy * x) * np.sin(a) + (z + dz * x) * np.cos(a)),
            0.0,
            0.0,
            a,
            None,
        )
        for x, sign in zip(X_M, (1.0, -1.0), strict=True)
    )
    return Rest(blocks, (u_m**2, u_m**2))


def test_shares_on_four_and_six_feet_by_hand() -> None:
    # Four feet: 1/4 + 1/4 in the own plane, 1/4 - 1/4 in the other.
    assert_allclose(shares(np.array([330.0, 750.0]), 0), [0.5, 0.0], atol=1e-15)
    assert_allclose(shares(np.array([330.0, 750.0]), 1), [0.0, 0.5], atol=1e-15)
    # Six feet at 0, 300, 600: sum over all of (x - 300)^2 = 4 x 300^2. Outer: 1/6 + 1/4, 1/6, 1/6 - 1/4. Middle: 1/6 all.
    assert_allclose(shares(np.array([0.0, 300.0, 600.0]), 0), [5 / 12, 1 / 6, -1 / 12], atol=1e-15)
    assert_allclose(shares(np.array([0.0, 300.0, 600.0]), 1), [1 / 6, 1 / 6, 1 / 6], atol=1e-15)
    assert_allclose(shares(np.array([330.0]), 0), [0.5])


@pytest.mark.parametrize(
    ("angle", "sees"),
    [(0.0, (False, False, True, True)), (90.0, (True, True, False, False)), (45.0, (False,) * 4)],
)
def test_a_parked_rig_knows_what_it_sees(angle: float, sees: tuple[bool, ...]) -> None:
    before, after = rest(angle, (0.3, 0.4, 0.2, -0.1)), rest(angle, (0.34, 0.3, 0.24, -0.2))
    moved = shift(model_of(), before, after, (2e-4, 5e-4, 2e-4, 5e-4))
    assert moved is not None
    assert moved.known == sees
    # at x = 0.33 m: 0.04 - 0.1 x 0.33 = 0.007 mm, in both planes
    for vertical in (True, False):
        if sees[2 if vertical else 0]:
            size, u = moved.at(0.33, vertical=vertical)
            assert size == pytest.approx(7e-6, abs=1e-8)
            assert u < 1e-6


def test_rests_at_two_angles_are_not_compared() -> None:
    before, after = rest(0.0, (0, 0, 0, 0)), rest(1.0, (0, 0, 0, 0))
    assert shift(model_of(), before, after, ALLOWANCE) is None
    deaf = Rest((None, None), (0.0, 0.0))
    assert shift(model_of(), deaf, before, ALLOWANCE) is None


def test_a_rise_by_hand_with_its_uncertainty() -> None:
    # The shaft rises 0.05 mm at 330 mm and 0 at 750: slope -0.05 / 0.42 mm/m; the gap is twice 0.05.
    slope = -0.05 / 0.42
    moved = shift(
        model_of(), rest(0.0, (0, 0, 0, 0)), rest(0.0, (0, 0, 0.05 - 0.33 * slope, slope)), ALLOWANCE
    )
    assert moved is not None
    near, far = foot_rise(model_of(), moved, 0), foot_rise(model_of(), moved, 1)
    assert near is not None
    assert far is not None
    assert 1e3 * near.gap_m == pytest.approx(0.1, abs=1e-4)
    # Readings alone: detectors at -0.13 and 0.13, each difference with 0.1 um x sqrt 2; at 0.33 the line's weights are
    # (1 - 0.33 / 0.13) / 2 and (1 + 0.33 / 0.13) / 2; the foot's distance adds 1 mm x slope; all of it twice.
    weights = np.array([1 - 0.33 / 0.13, 1 + 0.33 / 0.13]) / 2
    own = 2 * np.hypot(np.sqrt(2) * 1e-7 * np.linalg.norm(weights), 1e-3 * abs(slope) * 1e-3)
    assert near.own_u_m == pytest.approx(own, rel=0.01)
    assert near.u_m == pytest.approx(np.hypot(own, 1e-5), rel=0.01)  # 10 % for unequal legs
    # Under a far foot nothing was, and it leaves 0.05 mm at the near plane unexplained.
    assert abs(1e3 * far.gap_m) < 1e-4
    assert 1e3 * far.u_m == pytest.approx(0.05, rel=0.01)
    hidden = Shift(moved.mean, moved.cov, (True, True, False, True))
    assert foot_rise(model_of(), hidden, 0) is None


@pytest.mark.parametrize("gap", [0.08, 0.15, 0.3])
@pytest.mark.parametrize("short", range(4))
def test_the_gap_under_a_short_foot_is_found_by_the_shaft_of_a_frame_on_springs(
    short: int, gap: float
) -> None:
    frame = level_frame([("near", 330.0), ("far", 750.0)])
    feet = list(frame.feet)
    feet[short] = replace(feet[short], floor_mm=-gap)
    frame = replace(frame, feet=tuple(feet))
    rises = [rise_of(frame, k) for k in range(4)]
    across = 3 - short
    # Also the foot across the diagonal shows it; the other two are held down by the floor alone.
    for k, rise in enumerate(rises):
        wanted = gap if k in {short, across} else 0.0
        # A bolt also presses the shims together: 8 um here.
        assert abs(1e3 * rise[0] - wanted) < 2 * 1e3 * rise[1] + 0.01, (k, rises)
    assert 1e3 * rises[short][0] == pytest.approx(gap, rel=0.12)


def rise_of(frame: Frame, k: int) -> tuple[float, float]:
    tight, before = frame.settled()
    foot = frame.feet[k]
    _, after = tight.bolted(foot.plane, foot.side, tight=False).settled()
    one, other = before.line, after.line
    mean = 1e-3 * np.array(
        [
            other.y_mm - one.y_mm,
            1e3 * (other.y_slope - one.y_slope),
            other.z_mm - one.z_mm,
            1e3 * (other.z_slope - one.z_slope),
        ]
    )
    found = foot_rise(model_of(), Shift(mean, np.zeros((4, 4)), (True, True, True, True)), k // 2)
    assert found is not None
    return found.gap_m, found.u_m
