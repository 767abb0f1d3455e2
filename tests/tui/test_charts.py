"""The charts as text: what is drawn where, without a terminal."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.style import Style

from livealign.snapshot import PlanePose, RotationState, Snapshot
from livealign_tui.big_digits import BigDigits, BigNumber
from livealign_tui.canvas import Canvas
from livealign_tui.centreline import Centreline
from livealign_tui.history import Point
from livealign_tui.residual_strip import ResidualStrip
from livealign_tui.ribbon import MARGIN, Ribbon, angle_column
from livealign_tui.scale import row_axis, step_above
from livealign_tui.strip_chart import StripChart
from livealign_tui.words import units_of

MM = units_of("mm")


class AnyStyle(dict[str, Style]):
    def __missing__(self, kind: str) -> Style:
        # One colour a kind, so that the lines tell which is where.
        return Style(color=f"color({sum(map(ord, kind)) % 200 + 20})")


def lines(canvas: Canvas) -> list[str]:
    return [strip.text for strip in canvas.strips(AnyStyle())]


def rows_with(canvas: Canvas, kind: str) -> set[int]:
    """Return the rows of the canvas in which something of a kind is seen."""
    colour = AnyStyle()[kind].color
    return {
        y
        for y, strip in enumerate(canvas.strips(AnyStyle()))
        for segment in strip
        if segment.style is not None and segment.style.color == colour and segment.text.strip()
    }


def test_two_dots_share_a_cell() -> None:
    canvas = Canvas(4, 1)
    canvas.dot(0, 0, "a")
    canvas.dot(1, 1, "a")
    canvas.bar(2, 0, 1, "a")
    canvas.dot(9, 9, "a")
    assert lines(canvas) == ["▀▄█ "]


@given(st.floats(1e-6, 1e6))
def test_steps_are_round_and_large_enough(value: float) -> None:
    step = step_above(value)
    assert value * (1 - 1e-6) <= step <= value * 2.5 + 1e-12
    assert f"{step:e}"[0] in "125"


@given(
    st.floats(-1e4, 0),
    st.floats(1e-3, 1e4),
    st.integers(3, 60),
    st.sampled_from([(1,), (2,), (1, 2), (2, 3, 4)]),
)
def test_an_axis_has_room_for_its_values_and_round_marks(
    low: float, high: float, rows: int, talls: tuple[int, ...]
) -> None:
    axis = row_axis(low, high, rows, talls)
    per_row = axis.step / axis.tall
    assert 0 <= axis.zero < rows
    assert high <= (axis.zero + 0.5) * per_row * (1 + 1e-9)
    assert -low <= (rows - axis.zero - 0.5) * per_row * (1 + 1e-9)
    assert f"{axis.step:e}"[0] in "125"
    assert (axis.zero, 0.0) in axis.marks()


def points(*values: float | None, u: float = 0.01) -> list[Point]:
    """One value a second, the last one now."""
    return [Point(100.0 - len(values) + 1 + i, value, u) for i, value in enumerate(values)]


def chart(values: list[Point], aim: float | None = None, size: tuple[int, int] = (70, 12)) -> Canvas:
    drawn = StripChart()
    drawn.show(values, 100.0, MM, aim)
    return drawn.draw(*size)


def test_the_strip_chart_puts_high_values_above_low_ones_and_the_newest_at_the_right() -> None:
    text = lines(chart(points(*[0.4] * 30, *[0.1] * 30)))
    tall = [row for row, said in enumerate(text) if "+0.4" in said]
    assert tall, text
    early = {y for y, said in enumerate(text[:-1]) if said[15] in "▀▄█"}
    late = {y for y, said in enumerate(text[:-1]) if said[65] in "▀▄█"}
    assert max(early) < min(late)


def test_the_strip_chart_names_zero_the_unit_and_the_time() -> None:
    text = lines(chart(points(0.4, 0.2)))
    zero = next(said for said in text if "0.0 │" in said)
    assert "────" in zero
    assert text[-1].lstrip().startswith("mm")
    assert text[-1].endswith("now")
    assert "-60 s" in text[-1]


def test_a_value_that_is_not_known_leaves_a_hole() -> None:
    whole = lines(chart(points(*[0.4] * 20, *[0.4] * 20, *[0.4] * 20, u=0.0)))
    broken = lines(chart(points(*[0.4] * 20, *[None] * 20, *[0.4] * 20, u=0.0)))
    line_row = next(y for y, said in enumerate(whole) if "▄▄▄" in said or "▀▀▀" in said)
    assert broken[line_row].strip("▀▄").count(" ") > whole[line_row].strip("▀▄").count(" ")


def test_the_band_narrows_as_the_uncertainty_does() -> None:
    values = [Point(41.0 + i, 0.4, 0.1 / (1 + i)) for i in range(60)]
    text = lines(chart(values, size=(70, 20)))

    def height(x: int) -> int:
        return sum(said[x] in "▀▄█" for said in text[:-1])

    assert height(10) > 2 * height(65)


def test_the_aim_is_drawn_where_growth_is_allowed_for() -> None:
    assert any("aim -- --" in said and "-0.2" in said for said in lines(chart(points(0.4), aim=-0.2)))
    assert not any("aim" in said for said in lines(chart(points(0.4), aim=0.0)))


def test_where_the_machine_is_heading_is_marked_at_the_right_edge() -> None:
    drawn = StripChart()
    drawn.show(points(*[0.4] * 30, *[0.1] * 30), 100.0, MM, None, -0.2)
    text = lines(drawn.draw(70, 12))
    assert [said.endswith("- -<") for said in text] == ["-0.2" in said for said in text]
    assert not any("<" in said for said in lines(chart(points(0.4))))


@pytest.mark.parametrize("size", [(0, 0), (5, 3), (80, 1), (12, 24), (200, 60)])
def test_the_charts_draw_themselves_in_any_room(size: tuple[int, int], job: Snapshot) -> None:
    for value in (None, 0.0, 1e-9, 123456.0):
        assert len(lines(chart(points(value), size=size))) == size[1]
    ribbon, residuals, graph, big = Ribbon(), ResidualStrip(), Centreline("vertical"), BigDigits()
    ribbon._rotation = job.rotation
    residuals._residuals = job.rotation.residuals
    graph._pose = job.pose.vertical
    graph._feet = tuple((foot.name, foot.x_mm) for foot in job.feet)
    big._numbers = (BigNumber("near feet", "+0.05", "mm"),)
    for drawing in (ribbon, residuals, graph, big):
        assert {len(said) for said in lines(drawing.draw(*size))} <= {size[0]}


def ribbon_lines(rotation: RotationState, width: int = 82) -> list[str]:
    ribbon = Ribbon()
    ribbon._rotation = rotation
    return lines(ribbon.draw(width, 5))


def test_the_ribbon_is_dark_where_the_turn_was_read_and_blank_elsewhere(job: Snapshot) -> None:
    text = ribbon_lines(job.rotation)
    band = text[1]
    assert band[MARGIN] == "█"
    assert band[angle_column(95, 82)] == "▒"
    assert band[angle_column(200, 82)] == " "
    assert band[angle_column(330, 82)] == "░"
    assert text[0].split() == ["deg", "0", "60", "120", "180", "240", "300", "360"]


def test_the_ribbon_marks_what_was_left_out_and_where_to_turn(job: Snapshot) -> None:
    text = ribbon_lines(job.rotation)
    assert [x for x, c in enumerate(text[3]) if c == "•"] == [angle_column(2, 82), angle_column(47.5, 82)]
    assert text[4][angle_column(95, 82)] == "^"
    assert "95 deg: a reading here helps most" in text[4]


def test_a_caret_near_the_end_has_its_words_before_it(job: Snapshot) -> None:
    text = ribbon_lines(replace(job.rotation, next_angle_deg=350.0))
    assert text[4].rstrip().endswith("350 deg: a reading here helps most ^")


def test_the_ribbon_is_empty_before_anything_was_read() -> None:
    text = ribbon_lines(RotationState())
    assert text[1].strip(" │") == ""
    assert text[4].strip() == ""


def test_readings_left_out_are_crosses_among_the_residuals(job: Snapshot) -> None:
    strip = ResidualStrip()
    strip._residuals = job.rotation.residuals
    text = lines(strip.draw(80, 9))
    assert "residuals, ± 0.002 mm   head M position   head S position   x left out" in text[0]
    assert sum(said.count("x") for said in text[1:]) == 2


def graph(pose: PlanePose, found: PlanePose | None = None) -> Canvas:
    drawn = Centreline("vertical")
    drawn._pose, drawn._found = pose, pose if found is None else found
    drawn._feet = (("near feet", 330.0), ("far feet", 750.0))
    return drawn.draw(60, 13)


def test_the_centreline_marks_coupling_and_feet_and_says_its_scale() -> None:
    text = lines(graph(PlanePose(0.3, 0.01, -0.2, 0.01)))
    assert text[-3].count("╫") == 1
    assert text[-3].count("┴") == 2
    assert text[-2].split() == ["coupling", "near", "feet", "far", "feet"]
    assert "square 0.1 mm x 100 mm; height 816 x" in text[-1]
    assert "═══" in next(said for said in text if " 0.0 " in said)


def test_a_high_movable_shaft_is_drawn_above_the_stationary_one() -> None:
    high, low = graph(PlanePose(0.3, 0.01, 0.0, 0.01)), graph(PlanePose(-0.3, 0.01, 0.0, 0.01))

    def level(canvas: Canvas) -> int:
        return next(y for y, said in enumerate(lines(canvas)) if "═" in said)

    assert max(rows_with(high, "movable")) < level(high)
    assert min(rows_with(low, "movable")) > level(low)


def test_as_found_stays_on_the_graph_beside_what_is_now() -> None:
    canvas = graph(PlanePose(0.0, 0.01, 0.0, 0.01), PlanePose(0.4, 0.01, 0.0, 0.01))
    assert "as found" in lines(canvas)[0]
    assert max(rows_with(canvas, "found")) < min(rows_with(canvas, "movable"))


def test_a_pose_that_is_not_known_is_no_line_but_a_word() -> None:
    assert "not known" in "\n".join(lines(graph(PlanePose(0.1, 0.01))))


def test_large_digits_fill_the_room() -> None:
    big = BigDigits()
    big._numbers = (BigNumber("near feet: add 0.05 mm", "+0.05", "mm"), BigNumber("far feet", "-0.31", "mm"))
    text = lines(big.draw(80, 18))
    assert text[0].strip() == "near feet: add 0.05 mm"
    assert sum("█" in said for said in text) >= 12
