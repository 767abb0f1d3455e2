"""A wrong file is told all that is wrong with it, with lines, in words."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livealign.config.load import (
    ConfigErrors,
    load_files,
    load_job,
    load_pair,
    parse_job,
    parse_pair,
    parse_rig,
)
from livealign.errors import PersonError

Complaints = Callable[..., list[str]]
Changed = Callable[..., str]
LineOf = Callable[[str, str], int]


def test_the_examples_are_read(examples: Path) -> None:
    job, rig = load_pair(examples / "job.toml", examples / "rig.toml")
    assert (job.name, job.units, job.distances[1].end) == ("Grain dryer fan 2", "mm", "head M")
    assert [h.name for h in rig.heads] == ["head S", "head M"]
    assert rig.links[0].driver.options == {"port": "/dev/ttyUSB0", "baud": 115200}


def test_everything_is_told_at_once_and_in_order(
    job_text: str, changed: Changed, complaints: Complaints, line_of: LineOf
) -> None:
    text = changed(
        job_text,
        ('units = "mm"', 'units = "cm"'),
        ('movable = "motor, 22 kW"', 'movabel = "motor"'),
        ("shaft_speed_rpm = 1475", 'shaft_speed_rpm = "1475"'),
        ("diameter = 160", "diameter = -3"),
        ("flex_planes_apart = 100", "flex_planes_apart = true"),
        ("length = 130", "length = inf"),
    )
    quoted = 'found "1475"; it takes a number above 0 (leave the quotes out)'
    assert complaints(parse_job, text, "my.toml") == [
        f'my.toml:{line_of(text, "units")}: units: found "cm"; it takes "mm" or "inch"',
        f"my.toml:{line_of(text, '[mach')}: machines.movable: is missing; it takes text in quotes of 1 to 60 characters",
        f"my.toml:{line_of(text, 'movabel')}: machines.movabel: is not a key of this table; did you mean movable?",
        f"my.toml:{line_of(text, 'rpm')}: machines.shaft_speed_rpm: {quoted}",
        f"my.toml:{line_of(text, 'diameter')}: coupling.diameter: found -3; it takes a number above 0",
        f"my.toml:{line_of(text, 'flex_planes')}: coupling.flex_planes_apart: found true; it takes a number above 0",
        f"my.toml:{line_of(text, 'inf')}: distances[1].length: found inf; it takes a number",
    ]


def test_the_errors_can_be_used_by_a_program(job_text: str, changed: Changed) -> None:
    text = changed(job_text, ("diameter = 160", "diameter = 0"), ("[tolerance]", "[tolerance]\nlimit = 2"))
    with pytest.raises(ConfigErrors) as caught:
        parse_job(text, "my.toml")
    assert isinstance(caught.value, PersonError)
    first, second = caught.value.errors
    assert (first.file, first.key, first.found, first.allowed) == (
        "my.toml",
        "coupling.diameter",
        "0",
        "a number above 0",
    )
    assert (second.key, second.found, second.allowed) == (
        "tolerance.limit",
        '"limit"',
        "decision, guard, rule, limit_mm_per_m",
    )
    assert json.dumps([first.as_dict(), second.as_dict()])
    assert str(caught.value).splitlines()[-1] == "2 errors in my.toml"


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            'rule = "flex-plane" ',
            'rule = "flex" ',
            'tolerance.rule: found "flex"; it takes "flex-plane" or "offset-angle"',
        ),
        ('rule = "flex-plane" ', "", 'tolerance.rule: is missing; it takes "flex-plane" or "offset-angle"'),
        (
            '"livealign.job/1"',
            '"livealign.job/2"',
            'schema: found "livealign.job/2"; it takes "livealign.job/1"',
        ),
        ('schema = "livealign.job/1"\n', "", 'schema: is missing; it takes "livealign.job/1"'),
        ("[machines]", "[[machines]]", "machines: found [a table]; it takes a table"),
        ("u = 0.7", "u = -0.7", "distances[1].u: found -0.7; it takes a number of 0 or more"),
        ("u = 0.7", "u = 2024-01-01", "distances[1].u: found 2024-01-01; it takes a number"),
        (
            "limit_mm_per_m = 0.5",
            "limit_mm_per_m = nan",
            "tolerance.limit_mm_per_m: found nan; it takes a number",
        ),
        (
            'name = "Grain dryer fan 2"',
            'name = ""',
            'name: found ""; it takes text in quotes of 1 to 60 characters',
        ),
        ('name = "far feet"', 'name = "near feet"', "feet[2].name: another foot plane is called"),
        (
            'name = "far feet"',
            'name = "coupling"',
            'feet[2].name: "coupling" is the name of the coupling\'s centre',
        ),
        (
            'to = "near feet"',
            'to = "near foot"',
            'feet[1].name: no chain of distances leads from "coupling" to "near feet"',
        ),
        ('to = "near feet"', 'to = "coupling"', 'distances[3]: goes from "coupling" to itself'),
        (
            "[tolerance]",
            "confidence = 0.3\n[tolerance]",
            "distances[4].confidence: is not a key of this table",
        ),
    ],
)
def test_a_wrong_job_is_told(
    job_text: str, complaints: Complaints, old: str, new: str, expected: str
) -> None:
    assert old in job_text
    told = complaints(parse_job, job_text.replace(old, new, 1), "j")
    assert any(expected in message for message in told), told
    assert all(re.match(r"j:\d+: ", message) for message in told)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('link = "S"', 'link = "s"', 'heads[1].link: no link is called "s"; did you mean "S"?'),
        ('link = "S"', 'link = "radio"', 'heads[1].link: no link is called "radio"; the links are S, M'),
        ('name = "M"', 'name = "S"', 'links[2].name: another link is called "S" too'),
        ('name = "head M"', 'name = "head S"', 'heads[2].name: another head is called "head S" too'),
        ('name = "head M"', 'name = "coupling"', "heads[2].name: \"coupling\" is the name of the coupling's centre"),
        ('name = "head M"', 'name = "head/M"', "letters, digits, spaces, _ . and -"),
        ('field = "spot"', 'field = "sport"', 'link "S" does not bring a field "sport"; did you mean "spot"?'),
        ('light_field = "light"', 'light_field = "lux"', 'heads[1].detectors[1].light_field: link "S" does not bring'),
        ('clock = { field = "ms"', 'clock = { field = "t"', 'links[1].clock.field: link "S" does not bring a field "t"'),
        ('sequence = "count"', 'sequence = "n"', 'links[1].sequence: link "S" does not bring a field "n"'),
        ("range_mm = [-5.0, 5.0]", "range_mm = [5.0, -5.0]", "range_mm: the least reading must be smaller"),
        ("range_mm = [-5.0, 5.0]", "range_mm = [5.0]", "range_mm"),
        ("range_mm = [-5.0, 5.0]", 'range_mm = [1, "2"]', 'range_mm[2]: found "2"; it takes a number'),
        ('light_field = "light"\n', "", "dim_below: needs light_field too"),
        ("wrap_bits = 32", "wrap_bits = 3", "links[1].clock.wrap_bits: found 3; it takes a whole number from 8 to 64"),
        ('shaft = "movable"', 'shaft = "pump"', 'heads[2].shaft: found "pump"; it takes "stationary" or "movable"'),
        ('driver = { kind = "serial", port', "driver = { port", "links[1].driver.kind: is missing"),
        ('unit = "um"', 'unit = "µm"', 'found "µm"; it takes "mm" or "um" or "in" or "mil"'),
        ('unit = "um"', 'unit = "um"\nkind = "dial"', 'kind: found "dial"; it takes "light" or "rim" or "face"'),
        ('unit = "um"', 'unit = "um"\nsag_mm = -0.1', 'sag_mm: is for kind = "rim" or "face" only: light does not sag'),
        ('unit = "um"', 'unit = "um"\nradius_mm = 80', 'radius_mm: is for kind = "rim" or "face" only; leave it out'),
        ('unit = "um"', 'unit = "um"\nkind = "face"', "heads[1].detectors[1].radius_mm: is missing; a face indicator takes"),
        ('unit = "um"', 'unit = "um"\nkind = "face"\nradius_mm = -1', "radius_mm: found -1; it takes a number above 0"),
        ('unit = "um"', 'unit = "um"\nkind = "rim"\naxis = "radial"', 'axis: is for kind = "light" only: a plunger'),
        ('unit = "um"', 'unit = "um"\nkind = "rim"', 'light_field: is for kind = "light" only'),
        ('unit = "um"', 'unit = "um"\naxis = "radial"\nmounting_deg = 45', "mounting_deg: stands beside axis"),
        ('unit = "um"', 'unit = "um"\nlinearity = { }', "linearity: give either table = [[raw, true], ...] or"),
        (
            'unit = "um"', 'unit = "um"\nlinearity = { table = [[0, 0], [1, 1]], polynomial = [0, 1] }',
            "linearity: give either table",
        ),
        (
            'unit = "um"', 'unit = "um"\nlinearity = { table = [[0, 0], [1, 1], [1, 2]] }',
            "linearity.table: the raw numbers must rise from point to point: point 3 has 1 after 1",
        ),
        (
            'unit = "um"', 'unit = "um"\nlinearity = { table = [[0, 0], [1, 1], [2, 0.5]] }',
            "the true numbers must rise throughout, or fall throughout: point 3 has 0.5 after 1",
        ),
        ('unit = "um"', 'unit = "um"\nlinearity = { table = [[0, 0]] }', "linearity.table: found [[0, 0]]; it takes"),
        ('unit = "um"', 'unit = "um"\nlinearity = { table = [[0, 0], [1, "1"]] }', 'found "1"; it takes a number'),
        ('unit = "um"', 'unit = "um"\nlinearity = { polynomial = [3, 0] }', "linearity.polynomial: all but the first"),
        ('unit = "um"', 'unit = "um"\nlinearity = { polynomial = [0, nan] }', "polynomial[2]: found nan; it takes a number"),
    ],
)  # fmt: skip
def test_a_wrong_rig_is_told(
    rig_text: str, complaints: Complaints, old: str, new: str, expected: str
) -> None:
    assert old in rig_text
    told = complaints(parse_rig, rig_text.replace(old, new, 1), "r")
    assert any(expected in message for message in told), told


def test_a_rig_needs_an_angle_and_a_detector(rig_text: str, complaints: Complaints) -> None:
    head = '[[heads]]\nname = "head S"\nshaft = "stationary"\nlink = "S"\n'
    told = complaints(parse_rig, rig_text[: rig_text.index("[[heads]]")] + head, "r")
    assert len(told) == 2
    assert "no head has an angle" in told[0]
    assert "no head has a detector" in told[1]


def test_one_head_may_lend_its_angle_to_the_other(rig_text: str) -> None:
    start = rig_text.rindex("[heads.angle]")
    rig = parse_rig(rig_text[:start] + rig_text[rig_text.index("[[heads.detectors]]", start) :], "r")
    assert rig.heads[1].angle is None


def test_fields_are_not_judged_where_the_format_does_not_tell_them(rig_text: str, changed: Changed) -> None:
    columns = 'columns = ["count", "ms", "angle", "spot", "light"]'
    text = changed(rig_text, (columns, "header = true"), ('field = "spot"', 'field = "place"'))
    assert parse_rig(text, "r").heads[0].detectors[0].field == "place"


def test_job_and_rig_must_agree(
    job_text: str, rig_text: str, changed: Changed, complaints: Complaints
) -> None:
    rig = changed(rig_text, ('name = "head M"', 'name = "head N"'))
    told = complaints(parse_pair, job_text, rig, "j", "r")
    assert len(told) == 2
    assert (
        'distances[2].to: "head M" is neither the coupling, nor a foot plane, nor a head of r; did you mean'
        in told[0]
    )
    assert 'heads[2].name: no distance in j leads to "head N"' in told[1]
    told = complaints(parse_pair, job_text, changed(rig_text, ('"head M"', '"far feet"')), "j", "r")
    assert any('heads[2].name: "far feet" is a foot plane in j' in message for message in told)


def test_files_are_known_by_what_is_in_them(tmp_path: Path, examples: Path, complaints: Complaints) -> None:
    job, rig = examples / "job.toml", examples / "rig.toml"
    assert load_files([job, rig]) == load_files([rig, job])
    alone = load_files([rig])
    assert alone.job is None
    assert alone.rig_where == str(rig)
    assert "this is a rig file; a job file is wanted here" in complaints(load_job, rig)[0]
    assert "this is a job file, and so is" in complaints(load_files, [job, job])[0]
    bare = tmp_path / "bare.toml"
    bare.write_text(
        job.read_text(encoding="utf-8").replace('schema = "livealign.job/1"', ""), encoding="utf-8"
    )
    told = complaints(load_files, [rig, bare])
    assert len(told) == 1
    assert 'schema: is missing; it takes "livealign.job/1"' in told[0]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a = 1\nlength = 130,5\n", "j:2: not TOML at column 13: "),
        ("a = 1\nlength = 130,5\n", "(a number has a decimal point, not a comma)"),
        ("a = 1\nname = fan\n", "(text stands in quotes)"),
        ("a = 1\nname = fan\n", "near: name = fan"),
        ('port = "C:\\new\\q"', "(in double quotes a backslash must be doubled"),
        ("a = 1\nb = 2\na = 3\n", "j:3: a: this stands here for the second time; the first is on line 1"),
        ("[t]\n[u]\n[t]\n", "j:3: t: this stands here for the second time; the first is on line 1"),
        ("a = [1,\n2\n\n", "j:2: the text ends too early"),
        ("x = " + "[" * 5000, "j:1: "),
        ("x = " + "9" * 5000, "j:1: "),
        ('x = "\x1b[31m"', "j:1: "),
    ],
)
def test_what_is_no_toml_is_told_with_its_place(text: str, expected: str, complaints: Complaints) -> None:
    told = complaints(parse_job, text, "j")
    assert len(told) == 1
    assert expected in told[0]
    assert told[0].isprintable()


def test_files_that_cannot_be_read_are_told_in_words(
    tmp_path: Path, job_text: str, complaints: Complaints
) -> None:
    missing, latin, wide, marked = (
        tmp_path / n for n in ("none.toml", "latin.toml", "wide.toml", "marked.toml")
    )
    assert complaints(load_job, missing) == [
        f"{missing}: there is no such file; check the name and the folder"
    ]
    assert complaints(load_job, tmp_path) == [f"{tmp_path}: this is a folder; name the file in it"]
    latin.write_bytes(b'a = 1\nname = "Gebl\xe4se"\n')
    assert complaints(load_job, latin)[0].startswith(
        f"{latin}:2: the file is not UTF-8 text (byte 19 does not"
    )
    wide.write_text(job_text, encoding="utf-16")
    assert "it is UTF-16" in complaints(load_job, wide)[0]
    marked.write_text(job_text, encoding="utf-8-sig")
    assert load_job(marked).name == "Grain dryer fan 2"
    assert parse_job("\ufeff" + job_text, "j").name == "Grain dryer fan 2"
    marked.write_bytes(b"#" * 1_000_001)
    assert "larger than 1000 kB" in complaints(load_job, marked)[0]
    assert "\0" not in complaints(load_job, "a\0b")[0]
    both = complaints(load_pair, missing, latin)
    assert [message.split(":")[0] for message in both] == sorted([str(missing), str(latin)])


def test_a_great_many_errors_are_cut_off_and_counted(job_text: str) -> None:
    with pytest.raises(ConfigErrors) as caught:
        parse_job("".join(f"x{i} = 1\n" for i in range(500)) + job_text, "j")
    lines = str(caught.value).splitlines()
    assert len(caught.value.errors) == 500
    assert lines[-2:] == ["... and 460 more", "500 errors in j"]


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-9, 9) | st.floats() | st.text(max_size=3),
    lambda inner: (
        st.lists(inner, max_size=2) | st.dictionaries(st.sampled_from(["name", "from", "kind"]), inner)
    ),
    max_leaves=4,
)


@settings(max_examples=50)
@given(st.data())
def test_whatever_stands_at_a_key_is_refused_with_its_line_or_understood(data: st.DataObject) -> None:
    root = Path(__file__).parents[2] / "docs" / "examples"
    name, parse = data.draw(st.sampled_from([("job.toml", parse_job), ("rig.toml", parse_rig)]))
    lines = (root / name).read_text(encoding="utf-8").splitlines()
    at = data.draw(st.sampled_from([i for i, line in enumerate(lines) if re.match(r"[a-z_]+ = ", line)]))
    value = data.draw(VALUES)
    lines[at] = f"{lines[at].split(' = ')[0]} = {_toml(value)}"
    try:
        parse("\n".join(lines), "f")
        errors = None
    except ConfigErrors as e:
        errors = e.errors
    assert errors is None or (errors and all(e.line and 1 <= e.line <= len(lines) for e in errors))


def _toml(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if value is None:
        return ""
    return json.dumps(value) if isinstance(value, str) else repr(value)
