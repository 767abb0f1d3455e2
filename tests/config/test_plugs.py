"""The drivers and formats a rig names are checked against what is installed."""

import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from livealign.config.load import load_rig, parse_rig
from livealign.stream import registry

Changed = Callable[..., str]

MODULE = """
from typing import Annotated, ClassVar, Literal
from pydantic import Field, model_validator
from livealign.stream.contracts import Options

class SerialOptions(Options):
    port: Annotated[str, Field(min_length=1)]
    baud: Annotated[int, Field(gt=0)] = 115200
    parity: Literal["none", "even"] = "none"

    @model_validator(mode="after")
    def _even_is_slow(self):
        if self.parity == "even" and self.baud > 9600:
            raise ValueError("even parity is for 9600 baud and below")
        return self

class Serial:
    options_model: ClassVar = SerialOptions

class DelimitedOptions(Options):
    columns: tuple[str, ...]
    checksum: Literal["none", "xor8"] = "none"

class Delimited:
    options_model: ClassVar = DelimitedOptions
"""


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Install a distribution with a driver and a format, as a package manager would, and no other."""
    (tmp_path / "some_plugs.py").write_text(MODULE, encoding="utf-8")
    info = tmp_path / "some_plugs-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(
        "Metadata-Version: 2.1\nName: some-plugs\nVersion: 1.0\n", encoding="utf-8"
    )
    (info / "entry_points.txt").write_text(
        "[livealign.drivers]\nx-serial = some_plugs:Serial\nx-broken = some_plugs_that_are_gone:Driver\n"
        "[livealign.formats]\nx-delimited = some_plugs:Delimited\n",
        encoding="utf-8",
    )
    monkeypatch.syspath_prepend(str(tmp_path))


@pytest.fixture
def rig(rig_text: str) -> str:
    return rig_text.replace('"serial"', '"x-serial"').replace('"delimited"', '"x-delimited"')


@pytest.mark.usefixtures("installed")
def test_what_is_installed_is_found(rig: str) -> None:
    assert "x-serial" in registry.driver_names()
    assert parse_rig(rig, "r").links[0].driver.options["baud"] == 115200


@pytest.mark.usefixtures("installed")
def test_settings_are_checked_with_their_lines(
    rig: str, changed: Changed, complaints: Callable[..., list[str]]
) -> None:
    text = changed(
        rig,
        ('"/dev/ttyUSB0", baud = 115200', '"/dev/ttyUSB0", bauds = 115200'),
        ('"/dev/ttyUSB1", baud = 115200', '"", baud = 0'),
        ('checksum = "xor8"', 'checksum = "crc"'),
        ('unit = "ms"', 'unit = "min"'),
    )
    line = text.split("\n").index('name = "S"') + 1
    assert complaints(parse_rig, text, "r") == [
        f"r:{line + 1}: links[1].driver.bauds: is not a key of this table; did you mean baud?",
        f'r:{line + 2}: links[1].format.checksum: found "crc"; it takes "none" or "xor8"',
        f'r:{line + 3}: links[1].clock.unit: found "min"; it takes "s" or "ms" or "us"',
        f'r:{line + 9}: links[2].driver.port: found ""; it takes text in quotes',
        f"r:{line + 9}: links[2].driver.baud: found 0; it takes a whole number above 0",
    ]


@pytest.mark.usefixtures("installed")
def test_a_check_of_the_plugs_own_is_told_in_its_words(
    rig: str, changed: Changed, complaints: Callable[..., list[str]]
) -> None:
    told = complaints(parse_rig, changed(rig, ("baud = 115200", 'baud = 115200, parity = "even"')), "r")
    assert len(told) == 1
    assert told[0].endswith("links[1].driver: even parity is for 9600 baud and below")


@pytest.mark.usefixtures("installed")
def test_an_unknown_kind_is_told_with_what_there_is(
    rig: str, changed: Changed, complaints: Callable[..., list[str]]
) -> None:
    text = changed(rig, ('"x-serial"', '"x-seriel"'), ('"x-delimited"', '"pigeon"'))
    told = complaints(parse_rig, text, "r")
    assert len(told) == 2
    assert (
        'links[1].driver.kind: no driver is called "x-seriel"; did you mean "x-serial"? Installed: '
        in told[0]
    )
    assert 'links[1].format.kind: no format is called "pigeon"; installed: ' in told[1]


@pytest.mark.usefixtures("installed")
def test_a_plug_that_cannot_be_loaded_is_told(
    rig: str, changed: Changed, complaints: Callable[..., list[str]]
) -> None:
    told = complaints(parse_rig, changed(rig, ('"x-serial"', '"x-broken"')), "r")
    assert len(told) == 1
    assert "links[1].driver.kind: the driver 'x-broken' cannot be loaded" in told[0]


def test_the_examples_fit_the_drivers_that_come_along(
    examples: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    project = tomllib.loads((examples.parents[1] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    info = tmp_path / "these_plugs-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(
        "Metadata-Version: 2.1\nName: these-plugs\nVersion: 1.0\n", encoding="utf-8"
    )
    lines = []
    for group, plugs in project["entry-points"].items():
        lines += [f"[{group}]", *(f"{name} = {target}" for name, target in plugs.items())]
    (info / "entry_points.txt").write_text("\n".join(lines), encoding="utf-8")
    monkeypatch.syspath_prepend(str(tmp_path))
    rigs = sorted(examples.glob("rig*.toml"))
    assert rigs
    for path in rigs:
        rig = load_rig(path)
        for link in rig.links:
            registry.driver_class(link.driver.kind).options_model.model_validate(link.driver.options)
            registry.format_class(link.format.kind).options_model.model_validate(link.format.options)
