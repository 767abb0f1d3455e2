"""Adjust: one plane followed live while the machine is shimmed or shifted."""

from textual.app import ComposeResult
from textual.content import Content

from livealign.snapshot import Foot, Plane, Snapshot
from livealign_tui.big_digits import BigDigits, BigNumber
from livealign_tui.block import Block, known, line, row
from livealign_tui.history import Series, final_mm, plane_pose, series_names, wanted_offset_mm
from livealign_tui.page import Page, advice_lines, verdict_cell
from livealign_tui.strip_chart import StripChart
from livealign_tui.words import (
    NOT_KNOWN,
    Units,
    gap_words,
    heading_words,
    length,
    length_with_u,
    machine_words,
    number,
    offset_words,
    parked_words,
    plane_words,
    plus_minus,
    printable,
    slope_with_u,
    units_of,
    wrap,
)

__all__ = ["AdjustPage"]

_POSE_COLUMNS = (6, 24, 0)
_FEET_COLUMNS = (18, 28, 0)


class AdjustPage(Page):
    """The strip chart between the plane's values and the moves at the feet; or the numbers, large."""

    def __init__(self, *, id: str) -> None:  # noqa: A002 - Textual's name
        super().__init__(id=id)
        self._series: Series = "offset"

    def compose(self) -> ComposeResult:
        """Build the page."""
        yield Block(id="adjust-pose")
        yield Block(id="adjust-held")
        yield Block(id="adjust-chart-title")
        yield StripChart(id="adjust-chart")
        yield BigDigits(id="adjust-large")
        yield Block(id="adjust-feet")
        yield Block(id="adjust-state")
        yield Block(id="adjust-advice")

    def next_series(self) -> None:
        """Let the chart follow the next value: the offset, then each foot plane."""
        if self._last is not None:
            names = series_names(self._last)
            at = names.index(self._series) if self._series in names else -1
            self._series = names[(at + 1) % len(names)]
            self._refill()

    def toggle_large(self) -> None:
        """Change between the chart and the large numbers."""
        self.toggle_class("-large")
        self._refill()

    def fill(self, snapshot: Snapshot) -> None:
        """Put the snapshot into the page."""
        width, height = self.size
        units = units_of(snapshot.units)
        plane = snapshot.plane
        large = self.has_class("-large")
        self.query_one("#adjust-pose", Block).show(_pose_lines(snapshot, units, large=large))
        held = wrap(snapshot.settling.held_words, width - 2, rows=2)
        self.query_one("#adjust-held", Block).show(line(" ", part) for part in held)
        if large:
            self.query_one(BigDigits).show(_large(snapshot, self._series, units))
            return
        series = self._series if self._series in series_names(snapshot) else "offset"
        self.query_one("#adjust-chart-title", Block).show([_title(snapshot, series, units, width)])
        aim = wanted_offset_mm(snapshot, plane) if series == "offset" else None
        self.query_one(StripChart).show(
            self.history.series(plane, series), snapshot.time_s, units, aim, final_mm(snapshot, plane, series)
        )
        self.query_one("#adjust-feet", Block).show(_foot_line(foot, plane, units) for foot in snapshot.feet)
        self.query_one("#adjust-state", Block).show(_state_lines(snapshot, units))
        self.query_one("#adjust-advice", Block).show(advice_lines(snapshot, width, 2 if height < 28 else 5))


def _pose_lines(snapshot: Snapshot, units: Units, *, large: bool) -> list[Content]:
    """Return offset and angle of the plane, with the verdict and the state of the machine beside them."""
    plane = snapshot.plane
    pose = plane_pose(snapshot, plane)
    offset = length_with_u(pose.offset_mm, pose.offset_u_mm, units)
    angle = slope_with_u(pose.slope_mm_per_m, pose.slope_u_mm_per_m, units)
    heading = snapshot.settling.final_offset_mm is not None and not large
    # How long it takes is said once: with where it is heading, over the chart.
    state = snapshot.machine_state if heading else machine_words(snapshot.machine_state, snapshot.settling)
    lines = [
        row([verdict_cell(snapshot), known(state, "bold")], (46, 0)),
        row(["offset", known(offset, "bold"), known(offset_words(plane, pose))], _POSE_COLUMNS),
        row(["angle", known(angle, "bold"), known(gap_words(plane, pose))], _POSE_COLUMNS),
    ]
    return [line(" ", content) for content in lines]


def _title(snapshot: Snapshot, series: Series, units: Units, width: int) -> Content:
    """Return what the chart shows; while the machine settles, where the value is heading before all else."""
    what = f"{plane_words(snapshot.plane)}, {units.length}"
    short, name = "offset", "offset at the coupling"
    if series != "offset":
        short, name = printable(series), f"{printable(series)}, move still to make"
    said = f"{name}, {what}; band = 95 %   (c changes)"
    slope = snapshot.settling.final_slope_mm_per_m if series == "offset" and width >= 100 else None
    heading = heading_words(final_mm(snapshot, snapshot.plane, series), slope, snapshot.settling, units)
    if not heading:
        return line(" ", (said, "$quiet"))
    if len(said) + len(heading) + 4 > width:
        said = f"{short}, {what}"
    return line(" ", (f"{said}: ", "$quiet"), (heading, "bold"))


def _moves(foot: Foot, plane: Plane) -> tuple[str, float | None, float | None]:
    if plane == "vertical":
        return foot.vertical_words, foot.vertical_mm, foot.vertical_u_mm
    return foot.horizontal_words, foot.horizontal_mm, foot.horizontal_u_mm


def _foot_line(foot: Foot, plane: Plane, units: Units) -> Content:
    words, move_mm, u_mm = _moves(foot, plane)
    amount = length_with_u(move_mm, u_mm, units)
    said = printable(words) if move_mm is not None else NOT_KNOWN
    cells = [
        (printable(foot.name), "bold"),
        known(said, "bold"),
        known(amount) if move_mm is not None else "",
    ]
    return line(" ", row(cells, _FEET_COLUMNS))


def _state_lines(snapshot: Snapshot, units: Units) -> list[Content]:
    """Return what the plane that is not moved is held at, and where the shafts are parked."""
    other: Plane = "horizontal" if snapshot.plane == "vertical" else "vertical"
    pose = plane_pose(snapshot, other)
    held = length_with_u(pose.offset_mm, pose.offset_u_mm, units)
    return [
        line(f" held: {plane_words(other)}, offset ", known(held)),
        line(" ", known(parked_words(snapshot.settling))),
    ]


def _large(snapshot: Snapshot, series: Series, units: Units) -> list[BigNumber]:
    """Return the moves at the feet; or the offset and the angle, where the chart was set to a foot."""
    plane = snapshot.plane
    pose = plane_pose(snapshot, plane)
    if series != "offset":
        return [
            _big(
                f"offset: {offset_words(plane, pose)}",
                _scaled(pose.offset_mm, units),
                units.decimals - (units.length == "mm"),
                units.length,
            ),
            _big(f"angle: {gap_words(plane, pose)}", pose.slope_mm_per_m, 2, units.slope),
        ]
    feet = snapshot.feet if len(snapshot.feet) <= 2 else (snapshot.feet[0], snapshot.feet[-1])
    numbers = []
    for foot in feet:
        words, move_mm, u_mm = _moves(foot, plane)
        said = f"{printable(words)}  {plus_minus(u_mm, units)}" if move_mm is not None else NOT_KNOWN
        heading = final_mm(snapshot, plane, foot.name)
        if heading is not None:
            said = f"{said}, heading for {length(heading, units)}"
        numbers.append(
            _big(
                f"{printable(foot.name)}: {said}",
                _scaled(move_mm, units),
                2 if units.length == "mm" else 1,
                units.length,
            )
        )
    return numbers


def _scaled(value_mm: float | None, units: Units) -> float | None:
    return None if value_mm is None else value_mm * units.per_mm


def _big(title: str, value: float | None, decimals: int, unit: str) -> BigNumber:
    return BigNumber(
        title, "?" if value is None else number(value, decimals), unit if value is not None else NOT_KNOWN
    )
