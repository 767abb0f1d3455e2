"""Numbers are said in the person's units; what is not known is not a number."""

import math

import pytest

from livealign.units import (
    METRES,
    RADIANS,
    distance_words,
    length_unit_m,
    length_words,
    show_distance,
    show_length,
    show_slope,
    shown,
)


def test_one_length_in_both_units() -> None:
    assert show_length(0.45, "mm") == "0.45 mm"
    assert show_length(0.45, "inch") == "17.7 mil"
    assert length_words(0.00045, "inch") == "17.7 mil"
    assert show_length(0.45, "mm", signed=True) == "+0.45 mm"


def test_a_slope_keeps_its_number() -> None:
    assert show_slope(-0.18, "mm") == "-0.18 mm/m"
    assert show_slope(-0.18, "inch") == "-0.18 mil/in"
    assert METRES["mil"] / METRES["in"] == pytest.approx(METRES["mm"] / METRES["m"])


def test_distances_along_the_shafts() -> None:
    assert show_distance(330.2, "mm") == "330.2 mm"
    assert show_distance(330.2, "inch") == "13.00 in"
    assert distance_words(0.3302, "inch") == "13.00 in"
    assert (length_unit_m("mm"), length_unit_m("inch")) == (0.001, 0.0254)


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_what_is_not_known_is_said(value: float | None) -> None:
    for show in (show_length, show_slope, show_distance, length_words, distance_words):
        assert show(value, "inch") == "not known"


def test_what_rounds_to_nothing_has_no_sign() -> None:
    assert show_length(-0.001, "mm", signed=True) == "0.00 mm"
    assert shown(-0.04, 1) == "0.0"
    assert shown(0.06, 1, signed=True) == "+0.1"


def test_units_of_angle() -> None:
    assert 180 * RADIANS["deg"] == pytest.approx(math.pi * RADIANS["rad"])
