"""The packs that land nearest the wanted moves, from the shims there are."""

from collections import Counter
from itertools import combinations_with_replacement

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livealign.advice.shims import INCH, METRIC, Plane, ShimPlan, Stock, arranged, shim_plan
from livealign.advice.verdict import flex_plane

MM = 1e-3
TOLERANCE = flex_plane(0.1, 0.5e-3)


def plane(name: str, x_mm: float, up_mm: float, left: tuple[float, ...], right: tuple[float, ...]) -> Plane:
    return Plane(name, x_mm * MM, up_mm * MM, tuple(s * MM for s in left), tuple(s * MM for s in right))


def test_a_motor_is_shimmed_with_what_is_under_it_and_in_the_box() -> None:
    """Near feet up 0.22, far feet down 0.27: of the 0.50 below the far feet 0.25 goes, the nearest that the box makes up."""
    found = shim_plan(
        (
            plane("near", 330, 0.22, (1.0, 0.5), (1.0, 0.5)),
            plane("far", 750, -0.27, (2.0, 0.5), (2.0, 0.5, 0.05)),
        ),
        METRIC,
        "mm",
    )
    words = [p.words for p in found.packs]
    assert words == [
        "near, left: put in 0.20 mm",
        "near, right: put in 0.20 mm",
        "far, left: take out 0.50 mm, put in 0.25 mm",
        "far, right: take out 0.50 mm, put in 0.25 mm",
    ]
    assert found.changes == 6
    assert found.largest_error_m == pytest.approx(0.02 * MM)
    assert found.proven
    # The errors are -0.02 mm at 330 and +0.02 mm at 750: a line through both.
    assert found.slope_error == pytest.approx(0.04 / 420)
    assert found.offset_error_m == pytest.approx(-0.02 * MM - 0.33 * 0.04 / 420)
    assert found.packs[3].shims_m == pytest.approx((2.0e-3, 0.05e-3, 0.25e-3))


def test_the_thick_lie_outside_and_thin_ones_between() -> None:
    assert arranged([0.05, 1.0, 0.2, 0.5]) == (1.0, 0.2, 0.05, 0.5)
    assert arranged([0.3]) == (0.3,)
    assert arranged([]) == ()


def test_shims_of_an_inch_box_add_up_in_mils() -> None:
    mil = 25.4e-6
    found = shim_plan((Plane("far", 0.75, 17 * mil, (25 * mil,), (25 * mil,)),), INCH, "inch", most=3)
    assert [p.words for p in found.packs] == [f"far, {s}: put in 15 + 2 mil" for s in ("left", "right")]
    assert found.largest_error_m == pytest.approx(0.0, abs=1e-9)
    assert (found.share, found.slope_error) == (None, 0.0)


def test_a_machine_that_stands_on_too_little_cannot_come_down() -> None:
    far = plane("far", 750, -0.45, (0.3,), (3.18, 0.5))
    found = shim_plan((far,), METRIC, "mm")
    assert found.short == (
        "far, left: only 0.30 mm is under it, 0.15 mm too little to come down as far as wanted",
    )
    assert found.packs[0].shims_m == ()
    # The right foot follows the left: the two would not bear alike otherwise. The base plate of 3.18 stays.
    assert abs(found.packs[0].error_m - found.packs[1].error_m) < 0.151 * MM
    assert 3.18 * MM in found.packs[1].shims_m


def test_what_is_good_enough_is_left_alone() -> None:
    feet = (plane("near", 330, 0.06, (1.0,), (1.0,)), plane("far", 750, 0.02, (1.0,), (1.0,)))
    assert shim_plan(feet, METRIC, "mm").changes == 2
    found = shim_plan(feet, METRIC, "mm", enough=0.06 * MM)
    assert (found.changes, found.largest_error_m) == (0, pytest.approx(0.06 * MM))


SIZES = (0.05, 0.2, 0.25)
MOST = 2
BOX = st.tuples(*[st.one_of(st.none(), st.integers(0, 2))] * len(SIZES))
PACK = st.lists(st.sampled_from(SIZES), max_size=MOST).map(tuple)
UP = st.integers(-40, 40).map(lambda n: n / 100)


@settings(max_examples=12)
@given(BOX, st.tuples(UP, UP), st.tuples(PACK, PACK, PACK, PACK), st.booleans())
def test_no_other_choice_is_better(
    box: tuple[int | None, ...], up: tuple[float, float], now: tuple[tuple[float, ...], ...], by_share: bool
) -> None:
    """Every choice of packs for four feet, tried one by one."""
    criterion = TOLERANCE if by_share else None
    planes = (plane("near", 330, up[0], now[0], now[1]), plane("far", 750, up[1], now[2], now[3]))
    stock = Stock({s * MM: n for s, n in zip(SIZES, box, strict=True)})
    found = shim_plan(planes, stock, "mm", most=MOST, criterion=criterion)
    worst, changes = _brute(up, now, box, by_share=by_share)
    assert _deviation(np.array([[p.error_m / MM for p in found.packs]]), by_share=by_share)[
        0
    ] == pytest.approx(worst, abs=1e-5)
    assert (found.changes, found.proven) == (changes, True)
    assert _possible(found, box, now)


def _brute(up, now, box, *, by_share):
    packs = [p for n in range(MOST + 1) for p in combinations_with_replacement(SIZES, n)]
    counts = np.array([[p.count(s) for s in SIZES] for p in packs])
    here = np.array([[p.count(s) for s in SIZES] for p in now])
    choice = np.stack(np.meshgrid(*[np.arange(len(packs))] * 4, indexing="ij"), axis=-1).reshape(-1, 4)
    there = here.sum(axis=0) + [99 if n is None else n for n in box]
    choice = choice[(counts[choice].sum(axis=1) <= there).all(axis=1)]
    error = (counts[choice] - here) @ np.array(SIZES) - np.repeat(up, 2)
    worst = _deviation(error, by_share=by_share)
    best = worst <= worst.min() + 1e-6
    return worst.min(), np.abs(counts[choice[best]] - here).sum(axis=(1, 2)).min()


def _deviation(error_mm, *, by_share):
    twist = np.abs(error_mm[:, 0::2] - error_mm[:, 1::2])
    if not by_share:
        return np.maximum(np.abs(error_mm).max(axis=1), twist.max(axis=1))
    near, far = error_mm[:, :2].mean(axis=1), error_mm[:, 2:].mean(axis=1)
    at = [near + (far - near) * (x - 330) / 420 for x in (-50, 50)]
    share = np.abs(np.array(at)).max(axis=0) / 0.05  # 0.5 mm/m over 100 mm
    return np.maximum(share, twist.max(axis=1) / 0.05)


def _possible(found: ShimPlan, box, now) -> bool:
    into = Counter(round(s / MM, 3) for p in found.packs for s in p.into_m)
    out = Counter(round(s / MM, 3) for p in found.packs for s in p.out_m)
    stays = all(
        Counter(round(s / MM, 3) for s in p.shims_m)
        == Counter(n)
        - Counter(round(s / MM, 3) for s in p.out_m)
        + Counter(round(s / MM, 3) for s in p.into_m)
        for p, n in zip(found.packs, now, strict=True)
    )
    return stays and all(n is None or into[s] <= n + out[s] for s, n in zip(SIZES, box, strict=True))
