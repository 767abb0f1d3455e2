"""Drivers and formats are found by name, and a wrong name is told to the person."""

import subprocess
import sys
from importlib.metadata import EntryPoint

import pytest

from livealign.errors import PersonError
from livealign.stream import registry
from livealign_drivers.delimited import DelimitedFormat
from livealign_drivers.tcp import TcpDriver


def test_what_is_installed_is_found_by_name() -> None:
    assert {"file", "serial", "tcp"} <= set(registry.driver_names())
    assert {"delimited", "json-lines"} <= set(registry.format_names())
    assert registry.driver_names() == sorted(registry.driver_names())
    assert registry.driver_class("tcp") is TcpDriver
    assert registry.format_class("delimited") is DelimitedFormat


def test_listing_imports_no_driver() -> None:
    code = (
        "import sys; from livealign.stream.registry import driver_names, format_names;"
        "assert driver_names() and format_names();"
        "assert not [m for m in sys.modules if m.startswith('livealign_drivers') or m == 'serial']"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_an_unknown_name_is_told_with_what_there_is() -> None:
    with pytest.raises(PersonError, match="no driver is called 'pigeon'") as e:
        registry.driver_class("pigeon")
    assert "serial" in e.value.advice
    with pytest.raises(PersonError, match="no format is called 'runes'") as e:
        registry.format_class("runes")
    assert "delimited" in e.value.advice


def test_a_plug_in_that_cannot_be_imported_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    broken = EntryPoint("broken", "livealign_nowhere.thing:Driver", registry.DRIVERS)
    monkeypatch.setattr(registry, "_installed", lambda *_: {"broken": broken})
    with pytest.raises(PersonError, match="cannot be loaded") as e:
        registry.driver_class("broken")
    assert "livealign_nowhere" in str(e.value)
