"""Disturbances, gross errors and the budget as lines of text, for much room and for little."""

from collections.abc import Iterable

import pytest
from textual.content import Content

from livealign.snapshot import BudgetLine, BudgetPart, Diagnosis, GrossReading, Snapshot
from livealign_tui.budget_lines import table_lines, worst_foot, worst_lines
from livealign_tui.rig_lines import diagnosis_lines, gross_lines, size_words
from livealign_tui.words import units_of
from tests.tui.jobs import disturbed

MM, INCH = units_of("mm"), units_of("inch")


def plain(lines: Iterable[Content]) -> list[str]:
    return [line.plain for line in lines]


@pytest.mark.parametrize(
    ("name", "size", "unit", "said"),
    [
        ("drift", -0.0123, "mm", "0.012 mm"),
        ("second harmonic", 0.0021, "mm", "0.0021 mm"),
        ("heads at different angles", 1.24, "deg", "1.24 deg"),
        ("lag", -3.1, "ms", "3.1 ms"),
        ("many left out", 0.071, "", "7 %"),
        ("uneven detectors", 4.2, "", "4.2 times"),
        ("out of range ahead", 210.0, "deg", "at 210 deg"),
    ],
)
def test_each_kind_of_size_has_its_words(name: str, size: float, unit: str, said: str) -> None:
    assert size_words(Diagnosis(name, size, unit, "", "", ""), MM) == said  # type: ignore[arg-type]


def test_lengths_are_mils_in_an_inch_job() -> None:
    assert size_words(Diagnosis("drift", 0.0508, "mm", "", "", ""), INCH) == "2.0 mil"


def test_with_room_there_is_cause_and_remedy_with_less_the_remedy_with_least_the_name(job: Snapshot) -> None:
    found = disturbed(job).diagnoses
    whole, short, least = (plain(diagnosis_lines(found, MM, 80, rows)) for rows in (9, 4, 1))
    assert whole == [
        " hysteresis 0.010 mm, head S position: readings depend on which way the shafts",
        "   turn: backlash, or a loose bracket",
        "   remedy: tighten the brackets; read while turning one way only",
        " fast turning 74 deg/s, whole rig: an inclinometer that feels gravity also",
        "   feels the turning itself",
        "   remedy: turn more slowly, and evenly",
    ]
    assert short == [
        " hysteresis 0.010 mm, head S position: tighten the brackets; read while turning",
        "   one way only",
        " fast turning 74 deg/s, whole rig: turn more slowly, and evenly",
    ]
    assert least == [" hysteresis 0.010 mm, head S position; fast turning 74 deg/s, whole rig"]
    assert plain(diagnosis_lines(found, MM, 80, 0)) == []
    assert plain(diagnosis_lines((), MM, 80, 9)) == []


def test_no_more_lines_than_there_is_room_for_and_a_sign_that_something_is_cut(job: Snapshot) -> None:
    found = disturbed(job).diagnoses * 5
    for rows in range(1, 30):
        lines = plain(diagnosis_lines(found, MM, 80, rows))
        assert len(lines) <= rows
        assert all(len(line) <= 80 for line in lines)
    assert plain(diagnosis_lines(found, MM, 80, 2))[-1].endswith("...")


def test_a_long_head_is_bold_to_its_end_wherever_lines_break() -> None:
    where = "head M position, head S position, head M across, head S across"
    found = (Diagnosis("heads at different angles", 1.2, "deg", where, "c", "r"),)
    lines = diagnosis_lines(found, MM, 60, 9)
    bold = "".join(line.plain[span.start : span.end] for line in lines for span in line.spans)
    assert bold.replace("  ", " ") == f"heads at different angles 1.2 deg, {where}"


def test_gross_errors_say_where_when_and_how_far_off() -> None:
    gross = (GrossReading(40.0, "head M", 47.6, -0.03), GrossReading(1.0, "head S", 2.0, 0.02))
    said = [" ".join(line.split()) for line in plain(gross_lines(gross, 181.0, MM, 3))]
    assert said == [
        "largest left out head M -0.030 mm off at 48 deg 2 min ago",
        "head S +0.020 mm off at 2 deg 3 min ago",
    ]
    assert len(gross_lines(gross, 181.0, MM, 1)) == 1


def test_the_worst_foot_is_the_least_certain_one_and_no_offset_or_slope(job: Snapshot) -> None:
    budget = (
        BudgetLine("vertical slope", "mm/m", 0.5, 2.0, (), "readings", "turn"),
        BudgetLine("near feet, vertical", "mm", 0.02, 2.0, (), "readings", "turn"),
        # Its u is smaller, its U larger: few readings, so k is large.
        BudgetLine("far feet, vertical", "mm", 0.015, 3.2, (), "readings", "turn"),
    )
    worst = worst_foot(budget, ("near feet", "far feet"))
    assert worst is not None
    assert worst.quantity == "far feet, vertical"
    assert worst_foot(budget[:1], ("near feet",)) is None
    assert worst_lines((), ("near feet",), MM, 80, 2) == ()
    assert plain(worst_lines(budget, ("near feet", "far feet"), MM, 80, 2)) == [
        " far feet, vertical: U = 3.20 u = 0.048 mm, mostly from readings  (b: all)",
        "   to shrink it: turn",
    ]


def test_a_source_that_brings_nothing_to_a_line_is_a_dash_and_the_largest_has_a_star() -> None:
    parts = (BudgetPart("readings", 0.003), BudgetPart("bracket sag", 0.004))
    budget = (
        BudgetLine("vertical offset", "mm", 0.005, 2.0, parts, "bracket sag", "measure it"),
        BudgetLine("horizontal offset", "mm", 0.003, 2.0, parts[:1], "readings", "turn"),
    )
    table = plain(table_lines(budget, MM, 80))
    assert table[2:6] == [
        "                                         bracket",
        "                        U     k readings     sag",
        " vertical offset    0.010  2.00   0.0030 *0.0040",
        " horizontal offset  0.006  2.00  *0.0030       -",
    ]
    assert table[-2:] == ["   bracket sag: measure it", "   readings: turn"]
    assert "vertical offset      0.4  2.00" in plain(table_lines(budget, INCH, 80))[4]


def test_all_five_sources_fit_in_eighty_columns(job: Snapshot) -> None:
    names = ("readings", "angle zeros", "gains", "distances", "bracket sag")
    parts = tuple(BudgetPart(name, 0.01) for name in names)
    budget = (BudgetLine("near feet, horizontal", "mm", 0.0224, 2.0, parts, "gains", "calibrate"),)
    assert max(map(len, plain(table_lines(budget, MM, 80)))) <= 80
