"""Reminders of calibrations, on a given day."""

from datetime import date

import pytest

from livealign.config.calibration_age import calibration_doubts
from livealign.config.load import parse_rig

DAY = date(2026, 6, 1)


def told(rig_text: str, old: str, new: str) -> list[tuple[str, str]]:
    assert old in rig_text
    rig = parse_rig(rig_text.replace(old, new, 1), "r")
    return [(d.key, f"{d.what}. {d.advice}") for d in calibration_doubts(rig, DAY)]


def logged(*entries: str) -> str:
    return f"gain_u = 0.002\ncalibrations = [{', '.join(entries)}]"


def test_a_rig_that_claims_nothing_is_not_nagged(rig_text: str) -> None:
    assert told(rig_text, "gain_u = 0.002", "gain_u = 0.003") == []


@pytest.mark.parametrize(
    ("on", "valid", "reminded"),
    [("2025-06-01", 365, False), ("2025-05-31", 365, True), ("2026-05-01", 30, True)],
)
def test_an_old_one_is_told_with_what_to_do(rig_text: str, on: str, valid: int, reminded: bool) -> None:
    entry = f'{{ what = "noise", on = {on}, by = "Kim", valid_days = {valid} }}'
    found = told(rig_text, "gain_u = 0.002", logged(entry))
    assert len(found) == reminded
    if reminded:
        assert found[0][0] == "heads[1].detectors[1].calibrations[1]"
        assert f"to be trusted for {valid}. Measure it again: livealign calibrate noise." in found[0][1]


def test_of_each_thing_only_the_latest_counts_wherever_it_stands(rig_text: str) -> None:
    new, old = ('{ what = "sag", on = 2026-05-01, by = "K" }', '{ what = "sag", on = 2020-05-01, by = "K" }')
    assert told(rig_text, "gain_u = 0.002", logged(new, old)) == []


def test_tomorrow_is_odd_and_another_detector_is_not_forgotten(rig_text: str) -> None:
    found = told(rig_text, "gain_u = 0.002", logged('{ what = "gain", on = 2026-07-01, by = "K" }'))
    assert "yet to come" in found[0][1]
    assert found[1] == (
        "heads[2].detectors[1]",
        '"position" of "head M" was never calibrated, though others were. Calibrate it too: livealign calibrate detector.',
    )
    claimed = told(rig_text, "gain_u = 0.002", "gain_u = 0.0004")
    assert [key for key, _ in claimed] == ["heads[1].detectors[1].gain_u"]
    assert "known to 0.04 %" in claimed[0][1]
