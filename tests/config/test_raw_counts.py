"""Rig files whose heads send counts: what is computed is checked and told like what comes."""

from collections.abc import Callable
from pathlib import Path

from click.testing import CliRunner

from livealign.cli.check import check
from livealign.config.load import parse_rig

Complaints = Callable[..., list[str]]
Changed = Callable[..., str]
LineOf = Callable[[str, str], int]


def test_it_is_told_in_words(examples: Path) -> None:
    told = CliRunner().invoke(check, [str(examples / "rig-raw-counts.toml")])
    words = " ".join(told.output.split())
    assert told.exit_code == 0
    assert "'count' is its clock, at 100 records a second" in words
    assert "field 'tilt' is the angle that gravity shows, from 'ax' outward and '-ay' clockwise" in words
    assert "a place between electrodes 10 apart, from 'i2' against 'i1', clipped from 4095 on" in words
    assert "field 'mv' in V: battery of head S, warns below 3.4" in words
    assert "arrival times serve" not in words


def test_what_does_not_agree_is_told_with_its_line(
    examples: Path, changed: Changed, complaints: Complaints, line_of: LineOf
) -> None:
    text = changed(
        (examples / "rig-raw-counts.toml").read_text(encoding="utf-8"),
        (
            'plus = ["i2"], minus = ["i1"], length = 10.0, dark = 14',
            'plus = ["i9"], minus = [], length = 0, dark = 14',
        ),
        ('outward = "ax", clockwise = "-ay"', 'outward = "--ax", clockwise = "-az"'),
        (
            'tilt = { kind = "gravity", outward = "ax", clockwise = "ay"',
            'mv = { kind = "level", outward = "ax"',
        ),
    )
    told = "\n".join(complaints(parse_rig, text, "my.toml"))
    for words in (
        'link "S" does not bring a field "i9"',
        "links[1].computed.spot.minus: found []",
        "links[1].computed.spot.length: found 0; it takes a number above 0",
        'links[1].computed.tilt.outward: found "--ax"; it takes text in quotes of 1 to 61 characters: a field\'s name',
        'link "S" does not bring a field "az"',
        'links[2].computed.mv: "mv" comes over this link already',
        'links[2].computed.mv.kind: found "level"; it takes "electrodes" or "gravity"',
        'link "M" does not bring a field "tilt"',
    ):
        assert words in told, (words, told)
    assert f"my.toml:{line_of(text, 'i9')}: " in told


def test_calibrations_and_bounds_that_cannot_be(
    examples: Path, changed: Changed, complaints: Complaints
) -> None:
    text = changed(
        (examples / "rig-raw-counts.toml").read_text(encoding="utf-8"),
        ("noise_deg = 0.1\n", 'noise_deg = 0.1\ncalibrations = [{ what = "zeal", on = "May", by = "" }]\n'),
        ("low = 3.4\n", "low = 3.4\nhigh = 3.1\n"),
        ('name = "battery"', 'name = "position"'),
    )
    told = "\n".join(complaints(parse_rig, text, "my.toml"))
    for words in (
        'heads[1].angle.calibrations[1].what: found "zeal"',
        'heads[1].angle.calibrations[1].on: found "May"; it takes a date such as 2026-05-31, without quotes',
        'heads[1].angle.calibrations[1].by: found ""',
        "heads[1].auxiliary[1].low: must be smaller than high",
        "names must differ",
    ):
        assert words in told, (words, told)
