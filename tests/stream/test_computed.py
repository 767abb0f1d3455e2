"""Heads that send what their converter reads: places from electrode currents, angles from gravity."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livealign.stream.channel import PositionChannel, PositionLimits
from livealign.stream.computed import angle_of_gravity, place_between_electrodes

LENGTH = 10.0


def columns(**fields: float | list[float]) -> dict[str, np.ndarray]:
    return {name: np.atleast_1d(np.array(value, dtype=float)) for name, value in fields.items()}


def place(full_scale: float | None = 4095.0, dark: float = 0.0):
    return place_between_electrodes(
        "spot", ["i2"], ["i1"], LENGTH, dark=dark, full_scale=full_scale, light="light"
    )


@given(st.floats(-0.499, 0.499), st.floats(1e-3, 1e3), st.floats(-5.0, 5.0))
def test_a_current_divides_as_the_layer_does_however_bright_the_spot(
    at: float, bright: float, dark: float
) -> None:
    """A uniform resistive layer of length 1, spot at `at`: the nearer electrode takes the larger share (Kirchhoff)."""
    resistance_left, resistance_right = 0.5 + at, 0.5 - at
    total = resistance_left + resistance_right
    left, right = bright * resistance_right / total, bright * resistance_left / total
    found = place(None, dark)(columns(i1=left + dark, i2=right + dark))
    assert found["spot"][0] == pytest.approx(
        LENGTH * at, abs=1e-9 * LENGTH * (1.0 + abs(dark) / bright * 1e4)
    )
    assert found["light"][0] == pytest.approx(bright, rel=1e-6, abs=1e-9)


def test_background_light_pulls_toward_the_centre_unless_it_is_taken_off_as_dark() -> None:
    """By Is / (Is + Ib): the background divides evenly. Formula from memory; here it follows from the sums."""
    spot, background = 800.0, 200.0
    at = 0.3
    i1, i2 = spot * (0.5 - at) + background / 2, spot * (0.5 + at) + background / 2
    pulled = place()(columns(i1=i1, i2=i2))["spot"][0]
    assert pulled == pytest.approx(LENGTH * at * spot / (spot + background))
    assert place(dark=background / 2)(columns(i1=i1, i2=i2))["spot"][0] == pytest.approx(LENGTH * at)


def test_four_electrodes_that_share_their_axes() -> None:
    both = place_between_electrodes(
        "x", ["a", "b"], ["c", "d"], LENGTH, dark=0.0, full_scale=None, light=None
    )
    found = both(columns(a=3.0, b=1.0, c=2.0, d=2.0))
    assert found == {"x": pytest.approx([0.0])}
    assert both(columns(a=3.0, b=3.0, c=1.0, d=1.0))["x"][0] == pytest.approx(2.5)


def test_no_light_is_no_place_and_a_converter_at_its_end_is_clipped() -> None:
    raw = columns(i1=[0.0, 900.0, 100.0, -3.0, 1000.0], i2=[0.0, 4095.0, 300.0, 2.0, np.nan])
    found = place()(raw)
    assert np.isnan(found["spot"][[0, 3, 4]]).all()
    assert np.isinf(found["spot"][1])
    assert found["spot"][2] == pytest.approx(2.5)

    channel = PositionChannel(
        "head S position", "mm", 2e-6, scale=1e-3, limits=PositionLimits(dim_below=50.0)
    )
    times = np.arange(5) / 100.0
    position, good = channel.take(times, found["spot"], found["light"], 0.05)
    assert good.tolist() == [False, False, True, False, False]
    assert position[2] == pytest.approx(2.5e-3)
    assert channel.flags(0.05, still_since_s=0.0) == ("clipped", "dim")


def test_a_record_without_its_electrodes_gives_no_place() -> None:
    assert place()(columns(i1=3.0, angle=1.0)) == {}


def at_rest(theta: float, scales=(1.0, 1.0), offsets=(0.0, 0.0)) -> dict[str, np.ndarray]:
    """What two axes show: the reaction to gravity is up; outward is (sin, cos), clockwise (cos, -sin) in y, z."""
    up = np.array([0.0, 1.0])
    outward = np.array([np.sin(theta), np.cos(theta)])
    clockwise = np.array([np.cos(theta), -np.sin(theta)])
    return columns(
        x=float(up @ outward) * scales[0] + offsets[0], y=float(up @ clockwise) * scales[1] + offsets[1]
    )


@given(st.floats(-179.9, 179.9))
def test_the_angle_is_that_of_gravity_in_every_mounting(theta_deg: float) -> None:
    raw = at_rest(np.radians(theta_deg))
    turned = {"x": -raw["y"], "y": raw["x"]}  # mounted a quarter turn round: x points against clockwise
    for outward, clockwise, given_raw in (
        ("x", "y", raw),
        ("-x", "-y", {k: -v for k, v in raw.items()}),
        ("y", "-x", turned),
    ):
        found = angle_of_gravity("angle", outward, clockwise, (0, 0), (1, 1))(given_raw)["angle"][0]
        assert (found - theta_deg + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-9)


def test_offsets_and_scales_of_the_axes_are_taken_out() -> None:
    for theta_deg in (0.0, 37.0, 90.0, 200.0):
        raw = at_rest(np.radians(theta_deg), scales=(16_500.0, 16_100.0), offsets=(120.0, -340.0))
        found = angle_of_gravity("angle", "x", "y", (120.0, -340.0), (16_500.0, 16_100.0))(raw)["angle"]
        assert found % 360.0 == pytest.approx(theta_deg, abs=1e-9)


def test_a_thousandth_of_g_is_a_twentieth_of_a_degree() -> None:
    """1 mg of false acceleration is 0.057 deg: atan(0.001)."""
    found = angle_of_gravity("angle", "x", "y", (0, 0), (1, 1))(columns(x=1.0, y=-0.001))["angle"][0]
    assert found == pytest.approx(0.0573, abs=1e-4)


def test_nothing_at_all_is_no_angle() -> None:
    found = angle_of_gravity("angle", "x", "y", (0, 0), (1, 1))(columns(x=[0.0, np.nan], y=[0.0, 1.0]))
    assert np.isnan(found["angle"]).all()
