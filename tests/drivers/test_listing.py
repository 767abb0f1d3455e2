"""`livealign drivers`: what is installed, and what each takes."""

import json

import pytest
from click.testing import CliRunner

from livealign.cli.drivers import drivers
from livealign.stream.registry import driver_class, driver_names, format_class, format_names

ALL = [*((n, driver_class) for n in driver_names()), *((n, format_class) for n in format_names())]


@pytest.mark.parametrize(("name", "load"), ALL, ids=[n for n, _ in ALL])
def test_every_setting_of_each_is_told_with_what_it_takes(name, load) -> None:
    told = CliRunner().invoke(drivers, [name])
    assert told.exit_code == 0
    lines = told.output.splitlines()
    for key, field in load(name).options_model.model_fields.items():
        line = next(one for one in lines if one.startswith(f"{key}  ("))
        assert ("needed" in line) == field.is_required()
    schema = json.loads(CliRunner().invoke(drivers, [name, "--json"]).stdout)
    assert set(schema["properties"]) == set(load(name).options_model.model_fields)


def test_the_words_of_the_source_are_shown() -> None:
    told = CliRunner().invoke(drivers, ["serial"]).output
    assert "port  (text in quotes of 1 or more characters; needed)" in told or "port  (text in quotes" in told
    assert "Lock the port against other programs" in told
    assert "left out: 115200" in told
