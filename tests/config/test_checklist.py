"""The plant's checklist: read, refused with its lines, told in words."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from livealign.cli import main
from livealign.config.checklist import default_checklist_text
from livealign.config.load import default_checklist, load_files, load_job, parse_checklist

PLANT = """schema = "livealign.checklist/1"
name = "pump house"
[[items]]
id = "permit"
title = "Permit signed"
text = "Permit 12 hangs at the machine."
safety = true
[[items]]
id = "runout"
title = "Runout read"
text = "Total reading on the rim of both hubs."
limit_mm = 0.05
source = "plant standard 12"
"""


def test_the_shipped_list_asks_for_what_the_trade_asks_for() -> None:
    items = {i.id: i for i in default_checklist().items}
    assert {i for i in items if items[i].safety} == {
        "lockout",
        "stored-energy",
        "guards",
        "lifting",
        "light",
        "turning",
    }
    assert {"base", "bolts", "coupling", "runout", "piping", "clean", "rig", "soft-foot"} < set(items)
    # McMillan (2004), pp. 112-113: 2 mil (50 um); API RP 686, from a secondary source: 0.05 mm
    assert (items["soft-foot"].limit_mm, items["piping"].limit_mm) == (0.05, 0.05)
    assert all(i.source for i in items.values())


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        ('id = "runout"', 'id = "permit"', 9, "items[1] has it already"),
        ('source = "plant standard 12"', "", 8, "say in source whose limit it is"),
        ("safety = true", 'safety = "yes"', 7, "true or false"),
        ("limit_mm = 0.05", "limit_mm = 0", 12, "a number"),
        ('id = "permit"', 'id = "Permit 12"', 4, "it takes"),
        ('title = "Permit signed"\n', "", 3, "title: is missing"),
        ("livealign.checklist/1", "livealign.job/1", 1, "this is a job file; a checklist is wanted here"),
    ],
)
def test_what_is_wrong_is_told_with_its_line(
    old: str, new: str, line: int, said: str, complaints: Callable[..., list[str]]
) -> None:
    assert old in PLANT
    told = complaints(parse_checklist, PLANT.replace(old, new, 1), "plant.toml")
    assert any(said in t for t in told), told
    assert told[0].startswith(f"plant.toml:{line}: ")


def test_check_tells_what_a_checklist_asks_for(
    tmp_path: Path, examples: Path, complaints: Callable[..., list[str]]
) -> None:
    path = tmp_path / "plant.toml"
    path.write_text(PLANT, encoding="utf-8")
    told = CliRunner().invoke(main, ["check", str(path)])
    assert told.exit_code == 0, told.output
    for words in (
        "2 items, 1 of them for safety",
        "permit (safety): Permit signed.",
        "at most 0.05 mm; plant",
    ):
        assert words in told.output
    as_json = json.loads(CliRunner().invoke(main, ["check", str(path), "--json"]).output)
    assert [i["id"] for i in as_json["understood"]["checklist"]["items"]] == ["permit", "runout"]
    both = load_files([examples / "job.toml", path])
    assert (both.job, both.checklist) == (load_job(examples / "job.toml"), parse_checklist(PLANT, ""))
    assert "this is a checklist; a job file is wanted here" in complaints(load_job, path)[0]
    path.write_text(default_checklist_text().replace("[[items]]", "[[item]]"), encoding="utf-8")
    wrong = CliRunner().invoke(main, ["check", str(path)])
    assert wrong.exit_code == 1
    assert "did you mean items?" in wrong.output
