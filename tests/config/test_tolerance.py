"""Which limits a job's tolerance comes to at its shaft speed, and what is refused or doubted in it."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from livealign.advice.verdict import Criterion
from livealign.cli import main
from livealign.config.doubts import doubts
from livealign.config.job import Job, SpeedInverseTolerance, SpeedRow, SpeedTableTolerance
from livealign.config.load import load_pair, parse_job, parse_rig
from livealign.config.tolerance import offset_and_angle, row_in_force
from livealign.errors import PersonError
from livealign.session.setup import build

Complaints = Callable[..., list[str]]

TABLE = """
rule = "speed-table"
source = "sheet 4"
rows = [
    { rpm = 1500, offset = 0.08, angle_mm_per_m = 0.65 },
    { rpm = 3000, offset = 0.05, angle_mm_per_m = 0.4 },
]
"""
INVERSE = """
rule = "speed-inverse"
reference_rpm = 1500
offset = 0.06
angle_mm_per_m = 0.6
confirmed_by = "A. Person"
"""
BAND = 'offset = 0.06\ndecision = "guard-band"\nguard = {}'


@pytest.fixture
def with_tolerance(job_text: str) -> Callable[..., str]:
    """Return the example job with another tolerance, at another speed."""

    def make(tolerance: str, rpm: float = 1475, units: str = "mm") -> str:
        text = job_text[: job_text.index("[tolerance]")] + "[tolerance]" + tolerance
        text = text.replace("shaft_speed_rpm = 1475", f"shaft_speed_rpm = {rpm}")
        return text.replace('units = "mm"', f'units = "{units}"')

    return make


@pytest.fixture
def criterion(rig_text: str) -> Callable[[str], Criterion]:
    return lambda text: build(parse_job(text, "j"), parse_rig(rig_text, "r")).criterion


def limits(criterion: Criterion) -> tuple[float, float]:
    """Return offset in mm and slope in mm/m from the factors."""
    return float(1e3 / criterion.across[0, 0]), float(1e3 / criterion.across[1, 1])


@pytest.mark.parametrize(
    ("rpm", "offset", "angle"),
    [(1, 0.08, 0.65), (1475, 0.08, 0.65), (1500, 0.08, 0.65), (1501, 0.05, 0.4), (3000, 0.05, 0.4)],
)
def test_the_first_row_at_or_above_the_speed_holds(
    with_tolerance: Callable[..., str],
    criterion: Callable[[str], Criterion],
    rpm: float,
    offset: float,
    angle: float,
) -> None:
    """The worked example of docs/job-file.md."""
    found = criterion(with_tolerance(TABLE, rpm))
    assert limits(found) == pytest.approx((offset, angle))
    assert (found.name, found.source) == ("speed-table", "sheet 4")
    row = 1500 if rpm <= 1500 else 3000
    assert found.limit_words == f"offset {offset:g} mm and angle {angle:g} mm/m up to {row} rpm"


def test_a_shaft_faster_than_the_table_is_refused(
    with_tolerance: Callable[..., str], complaints: Complaints
) -> None:
    text = with_tolerance(TABLE, 3600)
    line = next(i for i, line in enumerate(text.split("\n"), 1) if line.startswith("rows"))
    (told,) = complaints(parse_job, text, "j")
    assert told == (
        f"j:{line}: tolerance.rows: the table ends at 3000 rpm, but the shaft turns at 3600 "
        "(machines.shaft_speed_rpm); add a row for that speed or more, from the same source"
    )
    table = SpeedTableTolerance(
        rule="speed-table", source="s", rows=(SpeedRow(rpm=3000, offset=1, angle_mm_per_m=1),)
    )
    with pytest.raises(PersonError, match="the table ends at 3000 rpm"):
        row_in_force(table, 3600)


@pytest.mark.parametrize(("rpm", "share"), [(1500, 1.0), (3000, 0.5), (750, 2.0)])
def test_limits_inversely_proportional_to_speed(
    with_tolerance: Callable[..., str],
    criterion: Callable[[str], Criterion],
    rpm: float,
    share: float,
) -> None:
    """The worked example of docs/job-file.md; the record says from what, and who answers for it."""
    found = criterion(with_tolerance(INVERSE + 'source = "sheet 7"\n', rpm))
    assert limits(found) == pytest.approx((0.06 * share, 0.6 * share))
    assert found.name == "speed-inverse"
    assert found.limit_words.endswith(f"mm/m at {rpm:g} rpm")
    assert found.source == (
        "0.06 mm and 0.60 mm/m at 1500 rpm, inversely proportional to speed, confirmed by A. Person; sheet 7"
    )


@given(st.floats(1, 1e5), st.floats(1, 1e5), st.floats(0.001, 1.0))
def test_limits_times_speed_stay_the_same(reference: float, speed: float, offset: float) -> None:
    rule = SpeedInverseTolerance(
        rule="speed-inverse",
        reference_rpm=reference,
        offset=offset,
        angle_mm_per_m=0.5,
        confirmed_by="A. Person",
    )
    found = offset_and_angle(rule, speed)
    assert np.array(found) * speed == pytest.approx(np.array([offset, 0.5]) * reference)


def test_inches_are_inches(with_tolerance: Callable[..., str], criterion: Callable[[str], Criterion]) -> None:
    found = criterion(with_tolerance(TABLE.replace("0.08", "0.003"), units="inch"))
    assert limits(found) == pytest.approx((0.0762, 0.65))
    assert found.limit_words == "offset 3 mil and angle 0.65 mil/in up to 1500 rpm"
    found = criterion(with_tolerance('\nrule = "flex-plane"\n', units="inch"))
    assert found.limit_words == "0.5 mil/in at both flex planes"


def test_a_limit_of_ones_own_is_not_laid_at_the_standards_door(
    with_tolerance: Callable[..., str], criterion: Callable[[str], Criterion]
) -> None:
    own = criterion(with_tolerance('\nrule = "flex-plane"\nlimit_mm_per_m = 0.7\n'))
    assert own.source == "rule of API RP 686, 2nd ed. (2009), cl. 5.4.6.2, which states 0.5 mm/m"
    standard = criterion(with_tolerance('\nrule = "flex-plane"\n'))
    assert standard.source == "API RP 686, 2nd ed. (2009), cl. 5.4.6.2"


@pytest.mark.parametrize("tolerance", [TABLE, INVERSE, '\nrule = "flex-plane"\n'])
def test_every_rule_may_be_decided_by_a_guard_band(
    with_tolerance: Callable[..., str], criterion: Callable[[str], Criterion], tolerance: str
) -> None:
    assert criterion(with_tolerance(tolerance)).guard is None
    assert criterion(with_tolerance(f'{tolerance}\ndecision = "guard-band"\n')).guard == 2.0
    narrow = f'{tolerance}\ndecision = "guard-band"\nguard = 1.645\n'
    assert criterion(with_tolerance(narrow)).guard == 1.645


@pytest.mark.parametrize(
    "case",
    [
        (TABLE, 'source = "sheet 4"', "", "tolerance.source: is missing; it takes text in quotes of 1 to 200"),
        (TABLE, '"sheet 4"', '" "', "tolerance.source: is blank; write whose table it is, for the record"),
        (TABLE, "rpm = 3000", "rpm = 1500", "tolerance.rows[2].rpm: found 1500 after 1500; rows stand in order"),
        (TABLE, "rpm = 3000", 'rpm = "3000"', 'tolerance.rows[2].rpm: found "3000"; it takes a number above 0'),
        (TABLE, "offset = 0.05", "offset = 0", "tolerance.rows[2].offset: found 0; it takes a number above 0"),
        (TABLE, "offset = 0.05", "offset = 0.05, guard = 1", "tolerance.rows[2].guard: is not a key"),
        (TABLE, TABLE[TABLE.index("rows"):], "rows = []\n", "tolerance.rows: found []; it takes a list of 1 to 50 tables"),
        (TABLE, TABLE[TABLE.index("rows"):], "rows = [3]\n", "tolerance.rows[1]: found 3; it takes a table"),
        (INVERSE, 'confirmed_by = "A. Person"', "", "tolerance.confirmed_by: is missing"),
        (INVERSE, '"A. Person"', '"\\t"', "tolerance.confirmed_by: is blank; write who confirms the limits"),
        (INVERSE, "reference_rpm = 1500", "reference_rpm = inf", "tolerance.reference_rpm: found inf"),
        (INVERSE, "offset = 0.06", 'offset = 0.06\ndecision = "guard"', 'it takes "probability" or "guard-band"'),
        (INVERSE, "offset = 0.06", "offset = 0.06\nguard = 2", "tolerance.guard: does nothing here; add decision"),
        (INVERSE, "offset = 0.06", BAND.format(0), "guard: found 0; it takes a number above 0 and up to 4"),
        (INVERSE, "offset = 0.06", BAND.format(95), "guard: found 95; it takes a number above 0 and up to 4"),
    ],
)  # fmt: skip
def test_a_wrong_tolerance_is_told(
    with_tolerance: Callable[..., str],
    complaints: Complaints,
    case: tuple[str, str, str, str],
) -> None:
    tolerance, old, new, expected = case
    assert old in tolerance
    told = complaints(parse_job, with_tolerance(tolerance.replace(old, new, 1)), "j")
    assert len(told) == 1, told
    assert expected in told[0]
    assert re.match(r"j:\d+: ", told[0])


@given(
    st.dictionaries(
        st.sampled_from(["rule", "rows", "source", "guard", "decision", "confirmed_by"]),
        st.sampled_from(
            ["3", "true", '"speed-table"', '"guard-band"', "[1, 2]", "[{ rpm = true }]", "nan", "{}", "1979-05-27"]
        ),
    ),
    st.sampled_from(["1475", '"fast"', "true", "-1", "inf"]),
)  # fmt: skip
def test_whatever_stands_there_is_told_and_never_crashes(values: dict[str, str], speed: str) -> None:
    from livealign.config.load import ConfigErrors

    lines = "".join(f"{key} = {value}\n" for key, value in values.items())
    text = f'schema = "livealign.job/1"\n[machines]\nshaft_speed_rpm = {speed}\n[tolerance]\n{lines}'
    with pytest.raises(ConfigErrors) as caught:
        parse_job(text, "j")
    assert all(e.line for e in caught.value.errors)


@pytest.mark.parametrize(
    ("tolerance", "rpm", "key", "words"),
    [
        (TABLE.replace("0.05", "0.09"), 1475, "tolerance.rows[2].offset", "more offset is allowed up to 3000 rpm"),
        (TABLE.replace("0.4", "0.7"), 1475, "tolerance.rows[2].angle_mm_per_m", "more angle is allowed up to 3000"),
        (TABLE.replace("0.08", "80"), 1475, "tolerance.rows[1].offset", "an offset of 80.00 mm would be accepted"),
        (TABLE.replace("0.65", "65"), 1475, "tolerance.rows[1].angle_mm_per_m", "a slope of 65.00 mm/m"),
        (INVERSE, 9000, "tolerance.reference_rpm", "limits for 1500 rpm are carried as far as 9000 rpm"),
        (INVERSE.replace("0.6\n", "0.2\n"), 150, "tolerance.reference_rpm", "limits for 1500 rpm are carried as far as 150"),
        (INVERSE.replace("0.06", "0.9"), 750, "tolerance.offset", "an offset of 1.80 mm would be accepted"),
    ],
)  # fmt: skip
def test_a_doubtful_tolerance(
    with_tolerance: Callable[..., str], tolerance: str, rpm: float, key: str, words: str
) -> None:
    found = doubts(parse_job(with_tolerance(tolerance, rpm), "j"))
    assert [d.key for d in found] == [key]
    assert words in str(found[0])


@pytest.mark.parametrize("tolerance", [TABLE, INVERSE])
def test_an_ordinary_tolerance_raises_no_doubt(with_tolerance: Callable[..., str], tolerance: str) -> None:
    assert doubts(parse_job(with_tolerance(tolerance, 2970), "j")) == ()


def test_a_confidence_beside_a_guard_band_is_doubted(with_tolerance: Callable[..., str]) -> None:
    text = with_tolerance(f'{TABLE}\ndecision = "guard-band"\n').replace(
        'units = "mm"', 'units = "mm"\nconfidence = 0.9'
    )
    assert [d.key for d in doubts(parse_job(text, "j"))] == ["confidence"]


def test_check_says_what_limits_hold_and_what_decides(
    tmp_path: Path, with_tolerance: Callable[..., str]
) -> None:
    path = tmp_path / "job.toml"

    def told(text: str) -> str:
        path.write_text(text, encoding="utf-8")
        return " ".join(CliRunner().invoke(main, ["check", str(path)]).output.split())

    table = told(with_tolerance(TABLE))
    assert "at most 0.08 mm, slope at most 0.65 mm/m up to 1500 rpm (sheet 4)." in table
    assert "A verdict is given when it is 0.95 probable." in table
    inverse = told(with_tolerance(f'{INVERSE}\ndecision = "guard-band"\n', 2400))
    assert (
        "at most 0.0375 mm, slope at most 0.375 mm/m at 2400 rpm (0.06 mm and 0.60 mm/m at 1500 rpm"
        in inverse
    )
    assert "confirmed by A. Person" in inverse
    assert "A verdict is given by a guard band of 2 times the standard uncertainty" in inverse
    values = json.loads(CliRunner().invoke(main, ["check", str(path), "--json"]).output)["understood"]["job"]
    assert values["decision"].startswith("A verdict is given by a guard band")


def test_the_example_is_read(examples: Path) -> None:
    job: Job
    job, rig = load_pair(examples / "job-speed-table.toml", examples / "rig.toml")
    found = build(job, rig).criterion
    assert limits(found) == pytest.approx((0.045, 0.35))
    assert found.guard == 2.0
