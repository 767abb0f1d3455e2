"""The pages about the two files name every key, and their worked examples are true."""

import re
from pathlib import Path

import pytest
from pydantic import BaseModel

from livealign.config import job, rig
from livealign.config.load import parse_rig

DOCS = Path(__file__).parents[2] / "docs"
MODELS = [
    *(
        (DOCS / "job-file.md", getattr(job, name))
        for name in job.__all__
        if name not in {"Growth", "Tolerance"}
    ),
    *(
        (DOCS / "rig-file.md", getattr(rig, name))
        for name in rig.__all__
        if name not in {"AXIS_PATTERN", "NAME_PATTERN", "Spec"}
    ),
]


@pytest.mark.parametrize(("page", "model"), MODELS, ids=lambda p: getattr(p, "__name__", ""))
def test_every_key_is_on_its_page(page: Path, model: type[BaseModel]) -> None:
    text = page.read_text(encoding="utf-8")
    for name, field in model.model_fields.items():
        key = field.alias or name
        assert f"`{key}`" in text or f"[{key}]" in text, key


@pytest.mark.parametrize(("page", "model"), MODELS, ids=lambda p: getattr(p, "__name__", ""))
def test_a_plain_default_stands_beside_its_key(page: Path, model: type[BaseModel]) -> None:
    text = page.read_text(encoding="utf-8")
    for name, field in model.model_fields.items():
        if not isinstance(field.default, str | int | float) or name == "rule":
            continue
        shown = f'"{field.default}"' if isinstance(field.default, str) else f"{field.default:g}"
        rows = re.findall(rf"^\| `{name}` .*\| `(.*?)` \|$", text, re.MULTILINE)
        assert shown in rows, (name, shown, rows)


def test_every_page_named_is_there() -> None:
    for page in (DOCS / "job-file.md", DOCS / "rig-file.md"):
        for target in re.findall(r"\]\(([^)h][^)]*)\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).is_file(), target


def test_the_worked_rig_is_sound_and_reads_its_line() -> None:
    text = (DOCS / "rig-file.md").read_text(encoding="utf-8")
    start = text.index("## Worked example")
    block = "\n".join(re.findall(r"^    (.*)$", text[start : text.index("The head on", start)], re.MULTILINE))
    found = parse_rig(f'schema = "livealign.rig/1"\nname = "worked"\n{block}', "page")
    from livealign_drivers.delimited import DelimitedFormat, DelimitedOptions

    line = re.findall(r"such as `(17[^`]*\*..)`", text)[0]
    decoder = DelimitedFormat(DelimitedOptions.model_validate(found.links[0].format.options))
    records = decoder.decode(line.encode() + b"\n")
    assert (records.count, records.bad) == (1, 0)
    assert {name: float(column[0]) for name, column in records.columns.items()} == {
        "count": 17, "ms": 2040, "angle": 12.51, "spot": -133.0, "light": 812,
    }  # fmt: skip
