import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livealign.snapshot import PlanePose, Settling, Verdict
from livealign_tui import words
from livealign_tui.words import NOT_KNOWN, units_of

MM, INCH = units_of("mm"), units_of("inch")


def test_what_is_not_known_is_said_and_never_zero() -> None:
    assert words.length(None, MM) == NOT_KNOWN
    assert words.length_with_u(None, 0.1, MM) == NOT_KNOWN
    assert words.slope_with_u(None, None, INCH) == NOT_KNOWN
    assert words.percent(None) == NOT_KNOWN
    assert words.offset_words("vertical", PlanePose()) == NOT_KNOWN
    assert words.gap_words("horizontal", PlanePose()) == NOT_KNOWN
    assert words.parked_words(Settling()) == "parked angle not known"


def test_a_value_without_its_uncertainty_says_so() -> None:
    assert words.length_with_u(0.25, None, MM) == "+0.250 mm, U not known"


def test_the_uncertainty_shown_is_twice_the_standard_one() -> None:
    assert words.length_with_u(0.342, 0.006, MM) == "+0.342 ± 0.012 mm"
    assert words.slope_with_u(-0.18, 0.02, MM) == "-0.18 ± 0.04 mm/m"


def test_a_tiny_uncertainty_is_rounded_up_and_never_shown_as_none() -> None:
    assert words.length_with_u(0.342, 0.0001, MM) == "+0.342 ± 0.001 mm"
    assert words.plus_minus(0.0001, INCH) == "± 0.1"


def test_inches_are_read_in_mils_and_slopes_keep_their_number() -> None:
    assert words.length(0.0254, INCH) == "+1.0 mil"
    assert words.slope_with_u(0.5, 0.05, INCH) == "+0.50 ± 0.10 mil/in"


def test_minus_zero_has_no_sign() -> None:
    assert words.length(-0.0001, MM) == "0.000 mm"


def test_a_small_amount_keeps_two_figures() -> None:
    assert [words.small(mm, 3) for mm in (0.123, 0.01, 0.0021)] == ["0.123", "0.010", "0.0021"]


def test_where_it_is_heading_is_said_only_as_far_as_it_is_known() -> None:
    soon = Settling(seconds_left=3.2)
    assert words.heading_words(0.012, None, soon, MM) == "heading for +0.012 mm, settled in about 4 s"
    assert words.heading_words(0.012, -0.05, Settling(), INCH) == "heading for +0.5 mil and -0.05 mil/in"
    assert words.heading_words(None, None, soon, MM) == ""


@given(st.floats(-1e4, 1e4), st.floats(0, 10))
def test_a_shown_number_lies_within_its_rounding(value: float, u: float) -> None:
    shown, _, spread, unit = words.length_with_u(value, u, MM).split()
    assert abs(float(shown) - value) <= 0.0005001
    assert float(spread) >= 2 * u - 1e-9
    assert unit == "mm"
    assert math.isfinite(float(shown))


@pytest.mark.parametrize(
    ("plane", "offset", "said"),
    [
        ("vertical", 0.1, "movable shaft high"),
        ("vertical", -0.1, "movable shaft low"),
        ("horizontal", 0.1, "toward 3 o'clock"),
        ("horizontal", -0.1, "toward 9 o'clock"),
    ],
)
def test_signs_of_the_offset(plane: str, offset: float, said: str) -> None:
    assert words.offset_words(plane, PlanePose(offset, 0.01)) == said  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("plane", "slope", "said"),
    [
        # The movable axis rises away from the coupling: its faces part at the bottom.
        ("vertical", 0.3, "gap opens at the bottom"),
        ("vertical", -0.3, "gap opens at the top"),
        ("horizontal", 0.3, "gap opens at the left"),
        ("horizontal", -0.3, "gap opens at the right"),
    ],
)
def test_signs_of_the_gap(plane: str, slope: float, said: str) -> None:
    assert words.gap_words(plane, PlanePose(0.0, 0.0, slope, 0.01)) == said  # type: ignore[arg-type]


def test_what_is_smaller_than_its_uncertainty_has_no_direction() -> None:
    assert words.offset_words("vertical", PlanePose(0.005, 0.004)) == "no offset seen"
    assert words.gap_words("vertical", PlanePose(0.0, 0.0, 0.05, 0.03)) == "no angle seen"


def test_the_verdict_says_its_probability_but_never_certainty() -> None:
    assert words.verdict_words(Verdict("undecided", 0.712)) == "undecided: 71 % likely to conform"
    assert words.verdict_words(Verdict("conforming", 1.0)) == "conforming: over 99.9 % likely to conform"
    assert words.verdict_words(Verdict("not conforming", 0.0)).startswith("not conforming: under 0.1 %")
    assert words.verdict_words(Verdict()) == "verdict not known"


def test_text_from_a_wire_cannot_drive_the_terminal() -> None:
    assert words.printable("12\x1b[2J\x0734\n56") == "12?[2J?34 56"


def test_a_long_text_is_cut_with_a_sign_that_it_was() -> None:
    lines = words.wrap("word " * 40, 30, rows=2)
    assert len(lines) == 2
    assert lines[1].endswith("...")
    assert all(len(text) <= 30 for text in lines)
