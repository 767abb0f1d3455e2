"""What is allowed but probably not meant is said, and ordinary machines raise no doubt."""

from collections.abc import Callable
from pathlib import Path

import pytest

from livealign.config.doubts import Doubt, doubts
from livealign.config.job import Job
from livealign.config.load import load_files, parse_pair
from livealign.config.rig import Rig

Changed = Callable[..., str]


def test_the_examples_raise_no_doubt(examples: Path) -> None:
    for path in sorted(examples.glob("job*.toml")):
        both = load_files([path, examples / "rig.toml"])
        assert doubts(both.job, both.rig) == (), path.name


def test_the_real_machine_with_inches_taken_for_mm_is_noticed(
    job_text: str, rig_text: str, changed: Changed
) -> None:
    text = changed(
        job_text, ("diameter = 160", "diameter = 6.3"), ("flex_planes_apart = 100", "flex_planes_apart = 4"),
        ("length = 130", "length = 5.1"), ("length = 260", "length = 10.2"),
        ("length = 330", "length = 13"), ("length = 420", "length = 16.5"),
    )  # fmt: skip
    found = doubts(*parse_pair(text, rig_text, "j", "r"))
    assert found[0].key == "units"
    assert found[0].advice == 'Were they measured in inch? Then write units = "inch".'


def test_mm_taken_for_inches_is_noticed(job_text: str, changed: Changed) -> None:
    text = changed(job_text, ('units = "mm"', 'units = "inch"'))
    found = doubts(_job(text))
    assert found[0].key == "units"
    assert found[0].advice == 'Were they measured in mm? Then write units = "mm".'


def _job(text: str) -> Job:
    from livealign.config.load import parse_job

    return parse_job(text, "j")


JOB = [
    ("diameter = 160", "diameter = 4000", "units", "Check the numbers."),
    ("shaft_speed_rpm = 1475", "shaft_speed_rpm = 24.6", "machines.shaft_speed_rpm", "was it in Hz?"),
    ("shaft_speed_rpm = 1475", "shaft_speed_rpm = 147500", "machines.shaft_speed_rpm", "fast"),
    ("u = 0.7", "u = 0", "distances[1].u", "0.01 mm is taken"),
    ("u = 0.7", "u = 0.007", "distances[1].u", "finer than tape or caliper"),
    ("u = 0.7", "u = 70", "distances[1].u", "uncertain by 70.0 mm"),
    (
        "length = 130",
        "length = -130",
        "distances[1].length",
        "Name the point nearer the stationary machine first.",
    ),
    ("length = 330", "length = -330", "feet[1]", "stand at or in front of the coupling"),
    ("length = 420", "length = -100", "feet", "which is far feet, near feet"),
    ("length = 420", "length = 5", "feet", "stand within 5.0 mm"),
    (
        "limit_mm_per_m = 0.5",
        "limit_mm_per_m = 5",
        "tolerance.limit_mm_per_m",
        "far above the 0.5 of API RP 686",
    ),
    (
        "flex_planes_apart = 100",
        "flex_planes_apart = 300",
        "coupling.flex_planes_apart",
        "farther than the detectors",
    ),
    (
        "[tolerance]",
        "[target]\nvertical_offset = 3\n[tolerance]",
        "target.vertical_offset",
        "run 3.00 mm apart",
    ),
    (
        "[tolerance]",
        "[target]\nhorizontal_slope_mm_per_m = -4\n[tolerance]",
        "target.horizontal_slope_mm_per_m",
        "-4.00 mm/m is wanted",
    ),
    (
        'rule = "flex-plane" ',
        'rule = "offset-angle"\noffset = 5\nangle_mm_per_m = 30 #',
        "tolerance.offset",
        "an offset of 5.00 mm would be accepted",
    ),
    (
        'rule = "flex-plane" ',
        'rule = "offset-angle"\noffset = 0.05\nangle_mm_per_m = 30 #',
        "tolerance.source",
        "no source",
    ),
    ("length = 420", "length = 4200", "heads", "an error of 0.01 mm at one of them becomes 0.18 mm"),
    ("length = 260", "length = 150", "heads", "only 150.0 mm apart for feet that far away"),
]


@pytest.mark.parametrize("case", JOB)
def test_a_doubtful_job(job_text: str, rig_text: str, case: tuple[str, str, str, str]) -> None:
    old, new, key, words = case
    assert old in job_text
    text = job_text.replace(old, new, 1)
    if "offset-angle" in new:
        text = text.replace("limit_mm_per_m = 0.5", "")
    found = doubts(*parse_pair(text, rig_text, "j", "r"))
    assert any(d.key == key and words in str(d) for d in found), [str(d) for d in found]
    assert all(d.what and d.advice.rstrip().endswith((".", "?")) for d in found)


LIGHT = 'light_field = "light"\ndim_below = 200'
RIG = [
    ("zero_u_deg = 0.2", "zero_u_deg = 0", "heads[1].angle.zero_u_deg", "said to be exact"),
    ("zero_u_deg = 0.2", "zero_u_deg = 5", "heads[1].angle.zero_u_deg", "uncertain by 5 deg"),
    ("noise_deg = 0.05", "noise_deg = 0", "heads[1].angle.noise_deg", "no noise"),
    ("noise_deg = 0.05", "noise_deg = 4", "heads[1].angle.noise_deg", "noisy by 4 deg"),
    ("gain_u = 0.002", "gain = 1000", "heads[1].detectors[1].gain", "set unit instead"),
    ("gain_u = 0.002", "gain_u = 0", "heads[1].detectors[1].gain_u", "said to be exact"),
    ("gain_u = 0.002", "gain_u = 0.2", "heads[1].detectors[1].gain_u", "20%"),
    ("noise_mm = 0.002", "noise_mm = 2", "heads[1].detectors[1].noise_mm", "a noise of 2 mm"),
    ("noise_mm = 0.002", "noise_mm = 0.000002", "heads[1].detectors[1].noise_mm", "a noise of 2e-06 mm"),
    (
        "[-5.0, 5.0]",
        "[-0.5, 0.5]",
        "heads[1].detectors[1].range_mm",
        "an offset of 0.5 mm drives it from end to end",
    ),
    ("dim_below = 200", "", "heads[1].detectors[1].dim_below", "never judged"),
    (LIGHT, 'kind = "rim"\nsag_mm = -2', "heads[1].detectors[1].sag_mm", "sags by -2 mm"),
    (LIGHT, 'kind = "rim"\nsag_mm = 0.2', "heads[1].detectors[1].sag_mm", "farther at 6 o'clock than at 12"),
    (LIGHT, 'kind = "face"\nradius_mm = 3', "heads[1].detectors[1].radius_mm", "3 mm from its axis"),
    (LIGHT, 'kind = "face"\nradius_mm = 30', "heads", "the face is touched only 30.0 mm from the axis"),
    ('shaft = "movable"', 'shaft = "stationary"', "heads", "said to ride on the stationary shaft"),
    ('shaft = "movable"', 'shaft = "stationary"', "heads[2]", "yet its mark is on the movable side"),
    ('link = "M"', 'link = "S"', "heads[2].detectors[1].field", 'reads field "spot" of link "S"'),
    ('clock = { field = "ms", unit = "ms", wrap_bits = 32 }', "", "links[1].clock", "no clock of its device"),
    ("noise_mm = 0.002", "noise_mm = 0.002\ndepth_mm = 225", "heads", "are only 35.0 mm apart"),
    ("noise_mm = 0.002", "noise_mm = 0.002\ndepth_mm = 260", "heads", "all detectors look at the same plane"),
]


@pytest.mark.parametrize("case", RIG)
def test_a_doubtful_rig(job_text: str, rig_text: str, case: tuple[str, str, str, str]) -> None:
    old, new, key, words = case
    assert old in rig_text
    found = doubts(*parse_pair(job_text, rig_text.replace(old, new, 1), "j", "r"))
    assert any(d.key == key and words in str(d) for d in found), [str(d) for d in found]


def test_one_detector_alone_cannot_tell_a_slope(job_text: str, rig_text: str) -> None:
    found = doubts(*parse_pair(job_text, rig_text[: rig_text.rindex("[[heads.detectors]]")], "j", "r"))
    assert [str(d).partition(":")[0] for d in found] == ["rig, heads"]
    assert "there is only one detector" in found[0].what


def test_indicators_on_faces_alone_cannot_tell_an_offset(job_text: str, rig_text: str) -> None:
    faces = rig_text.replace(LIGHT, 'kind = "face"\nradius_mm = 120')
    found = doubts(*parse_pair(job_text, faces, "j", "r"))
    assert [(d.key, d.what) for d in found] == [
        ("heads", "indicators on a face see the slope only: the offset and the feet cannot be told")
    ]


def test_a_rim_and_a_face_tell_a_slope_and_a_bracket_may_reach_over(job_text: str, rig_text: str) -> None:
    start = rig_text.rindex("[[heads.detectors]]")
    both = 'kind = "{}"\nname = "{}"\nfield = "{}"\nunit = "mm"\n'
    one = f"""{rig_text[:start]}
[[heads.detectors]]
{both.format("rim", "rim", "spot")}
[[heads.detectors]]
{both.format("face", "face", "light")}radius_mm = 200
"""
    start = one.index("[[heads.detectors]]")
    one = one[:start] + one[one.index("[[heads]]", start) :].replace('"movable"', '"stationary"')
    assert doubts(*parse_pair(job_text, one, "j", "r")) == ()


def test_a_captured_file_needs_a_clock_or_a_rate(rig_text: str, changed: Changed) -> None:
    text = changed(
        rig_text,
        ('kind = "serial", port = "/dev/ttyUSB0", baud = 115200', 'kind = "file", path = "s.txt"'),
        ('clock = { field = "ms", unit = "ms", wrap_bits = 32 }\n', ""),
    )
    assert [d.key for d in doubts(rig=_rig(text))] == ["links[1]"]
    assert doubts(rig=_rig(text.replace("sequence_bits", "nominal_rate_hz = 50\nsequence_bits", 1))) == ()


def _rig(text: str) -> Rig:
    from livealign.config.load import parse_rig

    return parse_rig(text, "r")


def test_contradicting_distances_are_told(job_text: str, rig_text: str) -> None:
    more = '[[distances]]\nfrom = "coupling"\nto = "far feet"\nlength = 770\nu = 1\n\n[tolerance]'
    found = doubts(*parse_pair(job_text.replace("[tolerance]", more), rig_text, "j", "r"))
    assert [d.key for d in found] == ["distances[3]"]
    assert "contradict each other" in found[0].what
    assert '"near feet" to "far feet", or "coupling" to "far feet"' in found[0].what


def test_a_doubt_can_be_used_by_a_program() -> None:
    doubt = Doubt("job", "units", "odd", "Check.")
    assert doubt.as_dict() == {"file": "job", "key": "units", "what": "odd", "advice": "Check."}
    assert str(doubt) == "job, units: odd. Check."
