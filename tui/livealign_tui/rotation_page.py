"""Rotation: what of the turn has been read, how good the result already is, where to turn next."""

from textual.app import ComposeResult
from textual.content import Content

from livealign.snapshot import Foot, Plane, Snapshot
from livealign_tui.block import Block, known, line, row
from livealign_tui.history import plane_pose
from livealign_tui.page import Page, advice_lines
from livealign_tui.residual_strip import ResidualStrip
from livealign_tui.ribbon import Ribbon
from livealign_tui.rig_lines import diagnosis_lines, gross_lines
from livealign_tui.words import (
    NOT_KNOWN,
    Units,
    length_with_u,
    plane_words,
    plus_minus,
    printable,
    slope_with_u,
    units_of,
)

__all__ = ["RotationPage"]

_COLUMNS = (14, 24, 0)
_STRIP_ROWS = 5
"""What the residuals need to be drawn."""
_MOST_GROSS = 3


class RotationPage(Page):
    """The ribbon, what has come of it so far, and the residuals."""

    def compose(self) -> ComposeResult:
        """Build the page."""
        yield Block(id="rotation-counts")
        yield Ribbon(id="ribbon")
        yield Block(id="rotation-so-far")
        yield Block(id="rotation-advice")
        yield Block(id="rotation-gross")
        yield Block(id="rotation-rig")
        yield ResidualStrip(id="residuals")

    def fill(self, snapshot: Snapshot) -> None:
        """Put the snapshot into the page."""
        width, height = self.size
        rotation, units = snapshot.rotation, units_of(snapshot.units)
        ribbon = self.query_one(Ribbon)
        ribbon_rows = 5 if height < 28 else 6 if height < 34 else 8
        ribbon.styles.height = ribbon_rows
        ribbon.show(rotation)
        self.query_one("#rotation-counts", Block).show([_counts(snapshot, units)])
        so_far = [
            _enough(snapshot),
            row([(text, "$quiet") for text in ("so far", "offset at the coupling", "angle")], _COLUMNS),
            *(_plane_line(snapshot, plane, units) for plane in ("vertical", "horizontal")),
            *_feet_lines(snapshot.feet, units),
        ]
        if not rotation.observable:
            so_far.append(line(("Not enough of the turn has been read for a result.", "$unknown")))
        self.query_one("#rotation-so-far", Block).show(line(" ", content) for content in so_far)
        rows = 2 if height < 28 else 4
        self.query_one("#rotation-advice", Block).show(
            advice_lines(snapshot, width, rows, (rotation.advice,))
        )
        self._fill_rig(snapshot, units, height - ribbon_rows)
        self.query_one(ResidualStrip).show(rotation.residuals, units)

    def _fill_rig(self, snapshot: Snapshot, units: Units, room: int) -> None:
        """Say what the readings tell of the rig; the residuals keep their room unless it is all there is."""
        above = ("#rotation-counts", "#rotation-so-far", "#rotation-advice")
        room -= sum(self.query_one(name, Block).rows for name in above)
        low = room < 2 * _STRIP_ROWS
        gross = gross_lines(snapshot.rotation.gross, snapshot.time_s, units, 1 if low else _MOST_GROSS)
        self.query_one("#rotation-gross", Block).show(gross)
        room -= len(gross) + (0 if low else _STRIP_ROWS)
        self.query_one("#rotation-rig", Block).show(
            diagnosis_lines(snapshot.diagnoses, units, self.size.width, room)
        )


def _enough(snapshot: Snapshot) -> Content:
    if not snapshot.rotation.enough:
        return line("")
    return line(("Enough for the verdict: more turning would not change it.", "bold $key"))


def _counts(snapshot: Snapshot, units: Units) -> Content:
    rotation = snapshot.rotation
    spread = NOT_KNOWN
    if rotation.residual_sd_mm is not None:
        spread = f"{rotation.residual_sd_mm * units.per_mm:.{units.decimals + 1}f} {units.length}"
    return line(
        (f" {rotation.arc_deg:.0f} deg covered", "bold"),
        f"   {rotation.readings} readings   ",
        (f"{rotation.left_out} left out", "bold $not-conforming" if rotation.left_out else ""),
        "   residual sd ",
        known(spread),
    )


def _plane_line(snapshot: Snapshot, plane: Plane, units: Units) -> Content:
    pose = plane_pose(snapshot, plane)
    offset = length_with_u(pose.offset_mm, pose.offset_u_mm, units)
    angle = slope_with_u(pose.slope_mm_per_m, pose.slope_u_mm_per_m, units)
    return row([plane_words(plane), known(offset, "bold"), known(angle, "bold")], _COLUMNS)


def _feet_lines(feet: tuple[Foot, ...], units: Units) -> list[Content]:
    """Return how well the moves are known so far: the reason to turn on, or to stop."""
    parts: list[Content] = []
    for foot in feet:
        up, across = (plus_minus(u, units) for u in (foot.vertical_u_mm, foot.horizontal_u_mm))
        parts.append(
            row(
                [printable(foot.name), known(f"{up} {units.length}"), known(f"{across} {units.length}")],
                _COLUMNS,
            )
        )
    heads = ("moves within", plane_words("vertical"), plane_words("horizontal"))
    return [row([(head, "$quiet") for head in heads], _COLUMNS), *parts] if parts else []
