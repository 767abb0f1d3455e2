"""SenML packs; the examples are those of RFC 8428, section 5.1."""

import json
import math
import tomllib
from pathlib import Path

import pytest
from hypothesis import strategies as st
from pydantic import ValidationError

from livealign.contract import Case, FormatContract
from livealign.errors import PersonError
from livealign.stream.contracts import Format
from livealign_drivers.senml import SenmlFormat, SenmlOptions

DEVICE = "urn:dev:ow:10e2073a01080063"
UNITS = {"humidity": "%RH", "lon": "lon", "lat": "lat", "battery": "%EL"}
TRACKED = {field: {"name": DEVICE, "unit": unit} for field, unit in UNITS.items()}
AS_TRACKED = {
    "humidity": [20, 20.3, 20.7, None, 21.2],
    "lon": [24.30621, 24.30622, 24.30623, None, 24.30628],
    "lat": [60.07965, 60.07965, 60.07966, None, 60.07967],
    "battery": [None, None, None, 98, None],
    "t": [1320067464, 1320067524, 1320067584, 1320067614, 1320067644],
}
NOW = b'[{"n":"a","v":1}]\n'


def made(fields, **options) -> SenmlFormat:
    return SenmlFormat(SenmlOptions(fields=fields, **options))


def read(text: str, fields) -> dict[str, list[float | None]]:
    records = made(fields, framing="message").decode(text.encode())
    assert (records.bad, records.last_bad) == (0, "")
    return {k: [None if math.isnan(v) else v for v in c.tolist()] for k, c in records.columns.items()}


def test_rfc_5_1_1_single_data_point():
    pack = '[\n {"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}\n]'
    assert read(pack, {"warmth": DEVICE}) == {"warmth": [23.1]}
    assert isinstance(made(["a"]), Format)


def test_rfc_5_1_2_multiple_data_points():
    pack = """[
     {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
     {"n":"current","u":"A","v":1.2}
    ]"""
    names = [f"{DEVICE}:voltage", f"{DEVICE}:current"]
    assert read(pack, names) == {names[0]: [120.1], names[1]: [1.2]}


def test_rfc_5_1_2_current_at_each_of_the_last_seconds():
    pack = """[
     {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
      "bu":"A","bver":5,
      "n":"voltage","u":"V","v":120.1},
     {"n":"current","t":-5,"v":1.2},
     {"n":"current","t":-4,"v":1.3},
     {"n":"current","t":-3,"v":1.4},
     {"n":"current","t":-2,"v":1.5},
     {"n":"current","t":-1,"v":1.6},
     {"n":"current","v":1.7}
    ]"""
    fields = {
        "volt": "urn:dev:ow:10e2073a0108006:voltage",
        "amp": {"name": "urn:dev:ow:10e2073a0108006:current", "unit": "A"},
        "t": {"time": "absolute"},
    }
    found = read(pack, fields)
    assert found["t"] == [1276020076.001 + k for k in range(-5, 1)]
    assert found["amp"] == [1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
    assert found["volt"] == [None] * 5 + [120.1], "what was measured at one time is one record"


def test_rfc_5_1_3_multiple_measurements_under_one_name():
    pack = """[
     {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,
      "bu":"%RH","v":20},
     {"u":"lon","v":24.30621},
     {"u":"lat","v":60.07965},
     {"t":60,"v":20.3},
     {"u":"lon","t":60,"v":24.30622},
     {"u":"lat","t":60,"v":60.07965},
     {"t":120,"v":20.7},
     {"u":"lon","t":120,"v":24.30623},
     {"u":"lat","t":120,"v":60.07966},
     {"u":"%EL","t":150,"v":98},
     {"t":180,"v":21.2},
     {"u":"lon","t":180,"v":24.30628},
     {"u":"lat","t":180,"v":60.07967}
    ]"""
    assert read(pack, {**TRACKED, "t": {"time": "absolute"}}) == AS_TRACKED


def test_rfc_5_1_4_resolved_records_say_the_same():
    resolved = [
        ("%RH", 1.320067464e09, 20), ("lon", 1.320067464e09, 24.30621), ("lat", 1.320067464e09, 60.07965),
        ("%RH", 1.320067524e09, 20.3), ("lon", 1.320067524e09, 24.30622), ("lat", 1.320067524e09, 60.07965),
        ("%RH", 1.320067584e09, 20.7), ("lon", 1.320067584e09, 24.30623), ("lat", 1.320067584e09, 60.07966),
        ("%EL", 1.320067614e09, 98),
        ("%RH", 1.320067644e09, 21.2), ("lon", 1.320067644e09, 24.30628), ("lat", 1.320067644e09, 60.07967),
    ]  # fmt: skip
    pack = json.dumps([{"n": DEVICE, "u": unit, "t": time, "v": value} for unit, time, value in resolved])
    assert read(pack, {**TRACKED, "t": {"time": "absolute"}}) == AS_TRACKED


def test_rfc_5_1_5_other_types_of_value_are_no_numbers():
    pack = """[
     {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
     {"n":"label","vs":"Machine Room"},
     {"n":"open","vb":false},
     {"n":"nfc-reader","vd":"aGkgCg"}
    ]"""
    names = {k: f"{DEVICE}:{k}" for k in ("temp", "label", "open", "nfc-reader")}
    assert read(pack, names) == {"temp": [23.1], "label": [None], "open": [None], "nfc-reader": [None]}


def test_rfc_5_1_6_a_base_holds_until_the_next_of_its_kind():
    pack = """[
     {"bn":"2001:db8::2/","bt":1.320078429e+09,
      "n":"temperature","u":"Cel","v":25.2},
     {"n":"humidity","u":"%RH","v":30},
     {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
     {"n":"humidity","u":"%RH","v":67}
    ]"""
    fields = {"here": "2001:db8::2/humidity", "there": "2001:db8::1/humidity", "t": {"time": "absolute"}}
    assert read(pack, fields) == {"here": [30], "there": [67], "t": [1320078429]}


def test_base_values_are_added_and_stand_alone():
    pack = '[{"bn":"a","bv":100,"v":1},{"v":-2.5},{},{"vs":"x"},{"bv":0,"v":7}]'
    assert read(pack, {"a": "a"}) == {"a": [101, 97.5, 100, 7]}


@pytest.mark.parametrize(
    ("time", "absolute", "relative"),
    [(268435455, None, 268435455), (268435456, 268435456, None), (-3.5, None, -3.5), (0, None, 0)],
)
def test_a_time_counts_from_1970_or_from_now(time, absolute, relative):
    pack = f'[{{"n":"a","v":1,"t":{time}}}]'
    assert read(pack, {"a": "a", "t": {"time": "absolute"}})["t"] == [absolute]
    assert read(pack, {"a": "a", "t": {"time": "relative"}})["t"] == [relative]


def test_a_name_that_comes_again_at_one_time_begins_another_record():
    pack = '[{"n":"a","v":1},{"n":"b","v":2},{"n":"a","v":3},{"n":"c","v":9},{"n":"b","v":4}]'
    assert read(pack, ["a", "b"]) == {"a": [1, 3], "b": [2, 4]}
    assert read('[{"n":"c","v":9}]', ["a", "b"]) == {"a": [], "b": []}
    assert read(" \r\n", ["a"]) == {"a": []}


@pytest.mark.parametrize(
    ("pack", "why"),
    [
        ('{"n":"a","v":1}', "is no SenML pack"),
        ("[1]", "is no SenML pack"),
        ('[{"v":1}]', "without a name"),
        ('[{"n":1,"v":1}]', "else than text at n"),
        ('[{"n":"a","v":"1"}]', "else than a number at v"),
        ('[{"n":"a","v":true}]', "else than a number at v"),
        ('[{"n":"a","t":null,"v":1}]', "else than a number at t"),
        ('[{"n":"a","v":1e999}]', "too large"),
        ('[{"n":"a","bv":1e308,"v":1e308}]', "too large"),
        ('[{"n":"a","bt":1e308,"t":1e308,"v":1}]', "too large"),
        ('[{"n":"a","v":NaN}]', "NaN is not a JSON number"),
        ('[{"n":"a","v":1,"bver":11}]', "version 11"),
        ('[{"n":"a","v":1,"scale_":2}]', "'scale_', which has to be understood"),
        ('[{"n":"a","v":1}', "is not JSON"),
    ],
)
def test_a_pack_that_is_wrong_is_bad_as_a_whole(pack, why):
    form = made(["a"])
    form.decode(b"cut\n")
    records = form.decode(NOW + pack.encode() + b"\r\n" + NOW)
    assert (records.count, records.bad) == (2, 1)
    assert why in records.last_bad
    records = made(["a"], framing="message").decode(pack.encode())
    assert (records.count, records.bad) == (0, 1)


def test_a_pack_that_was_cut_is_no_fault_also_after_an_interruption():
    form = made(["a"])
    assert form.decode(b'":1}]\n' + NOW).bad == 0
    form.decode(b'[{"n":')
    form.reset()
    records = form.decode(b'"a","v":2}]\n' + NOW + b"[]]\n")
    assert (records.columns["a"].tolist(), records.bad) == ([1], 1)


def test_packs_are_written_so_that_they_explain_themselves():
    fields = {"angle": {"name": "head:angle", "unit": "deg"}, "spot": "head:spot", "t": {"time": "absolute"}}
    form = made(fields)
    assert form.encode({"angle": 12.5, "spot": 3.0, "t": 1320067464}) == (
        b'[{"bt":1320067464,"n":"head:angle","u":"deg","v":12.5},{"n":"head:spot","v":3}]\n'
    )
    assert form.encode({"spot": 3.0, "angle": math.nan}) == b'[{"n":"head:spot","v":3}]\n'
    assert made(fields, framing="message").encode({}) == b"[]"
    assert form.preamble() == b""
    with pytest.raises(PersonError, match="infinite"):
        form.encode({"spot": -math.inf})


labels = st.sampled_from(["n", "v", "t", "bn", "bt", "bv", "bu", "u", "vb", "bver", "x_"])
values = st.one_of(st.sampled_from(["a", "b", "m", 0, 1, -1.5, 3e8, 1e308]), st.floats(), st.booleans())
packs = st.one_of(
    st.binary(max_size=60),
    st.lists(st.dictionaries(labels, values, max_size=5), max_size=4).map(lambda p: json.dumps(p).encode()),
    st.lists(st.fixed_dictionaries({"n": st.sampled_from("ab"), "v": st.floats(-9, 9)})).map(
        lambda p: json.dumps(p).encode()
    ),
)


FIELDS = {"angle": "head:angle", "spot": {"name": "head:spot", "unit": "um"}, "t": {"time": "absolute"}}


class TestContract(FormatContract):
    format_class = SenmlFormat
    cases = {
        "lines": Case({"fields": FIELDS}),
        "relative times": Case({"fields": {**FIELDS, "t": {"time": "relative"}}}),
        "messages": Case({"fields": FIELDS, "framing": "message"}, messages=True),
        "fields that meet odd packs": Case({"fields": {"a": "a", "m": "bm"}}),
    }
    relative = 0

    def fields(self, case):
        numbers = st.floats(allow_nan=False, allow_infinity=False)
        # A pack with a time and no value is none; one without a time is from now, which is a relative time.
        needed, *others = [f for f in case.options["fields"] if f != "t"]
        needed, optional = {needed: numbers}, dict.fromkeys(others, numbers)
        match case.options["fields"].get("t"):
            case {"time": "relative"}:
                needed["t"] = st.floats(-1e6, 1e6)
            case {"time": "absolute"}:
                optional["t"] = st.floats(2.0**28, 1e10)
        return st.fixed_dictionaries(needed, optional=optional)

    def odd(self, case):
        return packs.map(lambda pack: pack + b"\n")


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({}, "name one field at least"),
        ({"t": {"time": "absolute"}}, "name one field at least"),
        (["a", "a"], "a comes twice"),
        ({"a": "x", "b": "x"}, "tell the fields apart by `unit`"),
        ({"a": {"name": "x", "unit": "V"}, "b": {"name": "x", "unit": "V"}}, "tell the fields apart"),
        ({"a": "x", "t": {"time": "absolute"}, "u": {"time": "relative"}}, "can be the time, not more"),
        ({"a": ""}, "at least 1 character"),
        ({"a": 1}, "fields.a"),
        ("a", "dictionary"),
    ],
)
def test_options_say_what_is_wrong(fields, told):
    with pytest.raises(ValidationError) as caught:
        SenmlOptions(fields=fields)
    assert told in str(caught.value)


def test_the_pack_in_the_example_rig_is_read_as_it_says():
    text = (Path(__file__).parents[2] / "docs/examples/rig-sentence-senml.toml").read_text(encoding="utf-8")
    link = tomllib.loads(text)["links"][1]
    del link["format"]["kind"]
    line = next(line for line in text.splitlines() if line.startswith("# ["))
    records = made(**link["format"]).decode(line[2:].encode() + b"\n")
    assert {k: v.tolist() for k, v in records.columns.items()} == {
        "angle": [12.51],
        "spot": [-133],
        "t": [1.76e9],
    }
