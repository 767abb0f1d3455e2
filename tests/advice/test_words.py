"""Moves, parking and the next step, in words."""

from dataclasses import replace
from typing import Any

import pytest

from livealign.advice import words
from livealign.advice.next_step import advise, turn_further, where_to_turn
from livealign.snapshot import Foot, LinkStatus, RotationState, Verdict


@pytest.mark.parametrize(
    ("mm", "units", "said"),
    [
        (0.1234, "mm", "add 0.12 mm"),
        (-0.1, "mm", "remove 0.10 mm"),
        (0.0049, "mm", "leave as it is"),
        (-0.0049, "mm", "leave as it is"),
        (0.0051, "mm", "add 0.01 mm"),
        (0.0, "mm", "leave as it is"),
        (0.254, "inch", "add 10.0 mil"),
        (-0.0381, "inch", "remove 1.5 mil"),
        (0.4 * 0.0254, "inch", "leave as it is"),
        (None, "mm", "not known"),
        (None, "inch", "not known"),
    ],
)
def test_vertical_moves(mm: float | None, units: str, said: str) -> None:
    assert words.vertical_move(mm, units) == said


@pytest.mark.parametrize(
    ("mm", "units", "said"),
    [
        (0.25, "mm", "0.25 mm toward 3 o'clock"),
        (-0.25, "mm", "0.25 mm toward 9 o'clock"),
        (-0.0762, "inch", "3.0 mil toward 9 o'clock"),
        (0.001, "mm", "leave as it is"),
        (None, "inch", "not known"),
    ],
)
def test_sideways_moves(mm: float | None, units: str, said: str) -> None:
    assert words.horizontal_move(mm, units) == said


def test_parking() -> None:
    good = words.parking(2.0, vertical=True, share=0.999, best_deg=0.0)
    assert good == "parked at 2 deg, good for up and down"
    fair = words.parking(45.0, vertical=False, share=0.7, best_deg=90.0)
    assert fair == "parked at 45 deg, fair for sideways; nearer 90 deg is better"
    poor = words.parking(80.0, vertical=True, share=0.17, best_deg=0.0)
    assert poor == "parked at 80 deg, poor for up and down: park nearer 0 deg"


@pytest.mark.parametrize(
    ("shift_mm", "vertical", "units", "said"),
    [
        (None, True, "mm", ""),
        (0.03, True, "mm", "the held plane moved: 0.03 mm toward 3 o'clock"),
        (-0.03, False, "mm", "the held plane moved: 0.03 mm down"),
        (0.0508, False, "inch", "the held plane moved: 2.0 mil up"),
        (0.006, True, "inch", ""),  # less than is ever shown
    ],
)
def test_the_plane_that_is_not_adjusted(
    shift_mm: float | None, *, vertical: bool, units: str, said: str
) -> None:
    assert words.held(shift_mm, vertical=vertical, surprised=False, units=units) == said


def test_a_move_during_a_turn_is_said_first() -> None:
    assert "turn once more" in words.held(0.03, vertical=True, surprised=True, units="mm")


def test_where_to_turn() -> None:
    assert turn_further(42.4).startswith("42 deg covered")
    assert where_to_turn(170.0, 10e-6, 4e-6, "mm") == "more near 170 deg: worst foot +- 0.02 -> 0.008 mm"
    assert "mil" in where_to_turn(170.0, 25.4e-6, 4e-6, "inch")
    assert "+- 2 ->" in where_to_turn(170.0, 25.4e-6, 4e-6, "inch")
    assert "hardly" in where_to_turn(170.0, 10e-6, 9.5e-6, "mm")


FEET = (
    Foot("near feet", 300.0, 0.1, 0.01, 0.2, 0.01, "add 0.10 mm", "0.20 mm toward 3 o'clock"),
    Foot("far feet", 700.0, 0.0, 0.01, 0.0, 0.01, "leave as it is", "leave as it is"),
)
USUAL: dict[str, Any] = {
    "phase": "adjust",
    "plane": "vertical",
    "hold": False,
    "verdict": Verdict("not conforming", 0.0),
    "feet": FEET,
    "machine": "settled",
    "rotation": RotationState(observable=True, advice="more near 170 deg"),
    "links": (),
    "channels": (),
    "parked_badly": False,
    "moved_unseen": False,
}


def said(**different: Any) -> tuple[str, ...]:
    return advise(**{**USUAL, **different})


def test_while_adjusting_the_plane_in_hand_is_told_foot_by_foot() -> None:
    assert said() == ("near feet: add 0.10 mm. Tighten, then wait for settled.",)
    assert said(plane="horizontal") == (
        "near feet: 0.20 mm toward 3 o'clock. Tighten, then wait for settled.",
    )
    done = tuple(replace(f, vertical_words="leave as it is") for f in FEET)
    assert "go on sideways" in said(feet=done)[0]
    unknown = tuple(replace(f, horizontal_words="not known") for f in FEET)
    assert "go on up and down" in said(feet=unknown, plane="horizontal")[0]


def test_first_things_first() -> None:
    links = (
        LinkStatus("S", "lost", "the port is gone: plug it in"),
        LinkStatus("M", "open"),
        LinkStatus("X", "refused"),
    )
    lines = said(links=links, hold=True, machine="turning", moved_unseen=True)
    assert lines[0] == "Link S: the port is gone: plug it in"
    assert lines[1] == "Link X: refused"
    assert "verify by a new rotation" in lines[2]
    assert lines[3].startswith("Readings are held")
    assert lines[4].startswith("Stop at a good parking angle")


@pytest.mark.parametrize(
    ("how", "part"),
    [
        ({"machine": "turning"}, "Stop at a good parking angle"),
        ({"parked_badly": True}, "Park the shafts"),
        ({"machine": "moving"}, "Wait until"),
        ({"machine": "settling"}, "Wait until"),
        ({"verdict": Verdict("conforming")}, "verify by a new rotation"),
        ({"phase": "ready"}, "Begin a rotation"),
        ({"phase": "rotation"}, "Turn on: more near 170 deg."),
        (
            {
                "phase": "rotation",
                "rotation": RotationState(observable=True, enough=True, advice="more near 170 deg"),
            },
            "Enough for a verdict (not conforming). For the feet: more near 170 deg.",
        ),
        ({"phase": "rotation", "verdict": Verdict("undecided")}, "Turn on: more near 170 deg."),
        ({"phase": "rotation", "rotation": RotationState()}, "Turn both shafts slowly"),
        ({"phase": "rotation", "rotation": RotationState(advice=turn_further(9))}, "9 deg covered"),
        ({"phase": "findings"}, "up and down first"),
        ({"phase": "findings", "verdict": Verdict("conforming")}, "Inside tolerance"),
        ({"phase": "findings", "rotation": RotationState()}, "not observable"),
        ({"phase": "findings", "verdict": Verdict("not known")}, "Turn again"),
    ],
)
def test_every_situation_has_its_line(how: dict[str, Any], part: str) -> None:
    assert part in said(**how)[-1]
