"""Sentences with checksums; the examples marked so are those of public descriptions of NMEA 0183."""

import math
import tomllib
from functools import reduce
from operator import xor
from pathlib import Path

import pytest
from hypothesis import strategies as st
from pydantic import ValidationError

from livealign.contract import Case, FormatContract
from livealign.errors import PersonError
from livealign.stream.contracts import Format
from livealign_drivers.sentence import SentenceFormat, SentenceOptions

FIELDS = {"angle": "XDR.ANGLE", "spot": "XDR.SPOT", "count": "RIG.1", "ms": "RIG.3"}
GOOD = b"$IIXDR,A,12.5,D,ANGLE,D,0.002,M,SPOT"


def made(fields=FIELDS, **options) -> SentenceFormat:
    return SentenceFormat(SentenceOptions(fields=fields, **options))


def started(**options) -> SentenceFormat:
    form = made(**options)
    form.decode(b"cut\n")
    return form


def summed(body: bytes) -> bytes:
    return b"%b*%02X\r\n" % (body, reduce(xor, body[1:], 0))


def found(records) -> dict[str, list[float | None]]:
    return {k: [None if math.isnan(v) else v for v in c.tolist()] for k, c in records.columns.items()}


# As published by E. S. Raymond, "NMEA Revealed" (gpsd project), section "XDR - Transducer Measurement".
PUBLISHED = b"$HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ*41\r\n"
PUBLISHED_SINGLE = b"$SDXDR,C,23.15,C,WTHI*70\r\n"


def test_published_transducer_sentences():
    names = ["PITCH", "ROLL", "MAGX", "MAGY", "MAGZ", "WTHI"]
    records = made({n.lower(): f"XDR.{n}" for n in names}).decode(PUBLISHED + PUBLISHED_SINGLE)
    assert (records.count, records.bad) == (2, 0)
    assert found(records) == {
        "pitch": [171, None],
        "roll": [-37, None],
        "magx": [367, None],
        "magy": [2420, None],
        "magz": [-8984, None],
        "wthi": [None, 23.15],
    }
    assert isinstance(made(), Format)


def test_transducers_come_in_any_order_and_sentences_in_any_mixture():
    stream = b"".join(
        map(
            summed,
            [
                GOOD,
                b"$IIXDR,D,-0.001,M,SPOT,C,20,C,AIR,A,13,D,ANGLE,A",
                b"$YXRIG,7,,2040",
                b"$YXRIG,,,",
                b"$GPZDA,120000,25,11,2026,00,00",
                b"!AIVDM,1,1,,B,x,0",
            ],
        )
    )
    stream += b"\\s:head*1C\\" + summed(b"$YXRIG,8,,2041")
    records = made(scale={"spot": 1000}).decode(stream + b"\r\n")
    assert (records.count, records.bad) == (4, 0)
    assert found(records) == {
        "angle": [12.5, 13, None, None],
        "spot": [2, -1, None, None],
        "count": [None, None, 7, 8],
        "ms": [None, None, 2040, 2041],
    }


def test_an_address_may_be_told_whole():
    stream = summed(b"$YXRIG,1") + summed(b"$IIRIG,2") + summed(b"$PSTRG,3") + summed(b"$PARIG,4")
    assert found(made({"n": "RIG.1"}).decode(stream)) == {"n": [1, 2]}, "a P is a maker's own address"
    assert found(made({"n": "IIRIG.1", "p": "PSTRG.1"}).decode(stream)) == {"n": [2, None], "p": [None, 3]}
    assert found(made({"n": "IIXDR.7"}).decode(summed(b"$IIXDR,A,5,D,7"))) == {"n": [5]}


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (GOOD, "has no checksum"),
        (GOOD + b"*00", "says checksum 00, its bytes give"),
        (GOOD + b"*7", "is no sentence"),
        (b"12.5,7", "is no sentence"),
        (b"$", "is no sentence"),
        (b"$ii,1*00", "is no sentence"),
        (summed(b"$IIXDR,A,nan,D,ANGLE"), "has 'nan' where a number should be"),
        (summed(b"$IIXDR,A,1e999,D,ANGLE"), "where a number should be"),
        (summed(b"$IIXDR,D,1e308,M,SPOT"), "too large for 'spot'"),
        (summed(b"$IIXDR,A,1,D,ANGLE,A,2,D,ANGLE"), "the transducer 'ANGLE' twice"),
        (summed(b"$IIRIG,A"), "where a number should be"),
        (b"$" + b"1" * 2000, "is longer than 1024 bytes"),
    ],
)
def test_bad_sentences_are_counted_with_their_reason(line, why):
    records = started(scale={"spot": 1000}).decode(summed(GOOD) + line.strip() + b"\r\n" + summed(GOOD))
    assert (records.count, records.bad) == (2, 1)
    assert why in records.last_bad
    assert len(records.last_bad) < 250


def test_an_optional_checksum_may_be_missing_but_not_wrong():
    records = started(checksum="optional").decode(GOOD + b"\n" + summed(GOOD) + GOOD + b"*00\n")
    assert (records.count, records.bad) == (2, 1)


def test_a_first_sentence_that_was_cut_is_no_fault_also_after_an_interruption():
    form = made()
    assert form.decode(summed(GOOD)[9:]).bad == 0
    form.decode(GOOD)
    form.reset()
    records = form.decode(summed(GOOD)[9:] + summed(GOOD) + b"x\n")
    assert (records.count, records.bad) == (1, 1)


def test_sentences_are_written():
    fields = {"angle": 12.5, "spot": 3.0, "count": 7.0, "ms": math.nan}
    assert made(scale={"spot": 1000}).encode(fields) == (
        summed(b"$IIXDR,G,12.5000,,ANGLE,G,0.0030,,SPOT") + summed(b"$IIRIG,7,,")
    )
    assert made({"n": "PSTRG.2"}, talker="YX").encode({"n": 1}) == summed(b"$PSTRG,,1")
    assert made({"n": "RIG.2"}, talker="YX").encode({"n": 1}) == summed(b"$YXRIG,,1")
    assert made().preamble() == b""
    with pytest.raises(PersonError, match="infinite"):
        made().encode({"angle": math.inf})


bodies = st.one_of(
    st.text("$*,XDRIG0123456789.-eAMNSPOTLE!", max_size=40).map(str.encode),
    st.lists(st.sampled_from([b"A", b"1.5", b"", b"ANGLE", b"SPOT", b"nan", b"1e999", b"\xff"])).map(
        lambda cells: b",".join([b"$IIXDR", *cells])
    ),
)
lines = st.one_of(
    bodies.map(summed), bodies.map(lambda b: b + b"\n"), st.binary(max_size=80), st.just(b"$" * 99 + b"\n")
)


class TestContract(FormatContract):
    format_class = SentenceFormat
    cases = {
        "transducers": Case(
            {"fields": {"a": "XDR.ANGLE", "b": "XDR.SPOT"}, "scale": {"b": -0.5}}, checksum=True
        ),
        "positions": Case({"fields": {"a": "RIG.1", "b": "RIG.3"}}, checksum=True),
        "short lines": Case({"fields": {"a": "PSTRG.2", "b": "PSTRG.1"}, "max_line": 64}, checksum=True),
        "optional checksum": Case({"fields": {"a": "XDR.ANGLE", "b": "XDR.SPOT"}, "checksum": "optional"}),
    }
    absolute = 0.51e-4

    def fields(self, case):
        finite = st.floats(-1e9, 1e9)
        return st.fixed_dictionaries({"a": finite}, optional={"b": finite})

    def odd(self, case):
        return lines


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"fields": {}}, "name one field at least"),
        ({"fields": {"a": "XDR"}}, "is no place in a sentence"),
        ({"fields": {"a": "rig.1"}}, "is no place in a sentence"),
        ({"fields": {"a": "XDR.A,B"}}, "is no place in a sentence"),
        ({"fields": {"a": "RIG.0"}}, "a position from 1 to 99"),
        ({"fields": {"a": "RIG.01"}}, "a position from 1 to 99"),
        ({"fields": {"a": "RIG.x"}}, "a position from 1 to 99"),
        ({"fields": {"a": "RIG.1", "b": "RIG.1"}}, "RIG.1 comes twice"),
        ({"fields": {"a": "RIG.1"}, "scale": {"b": 2}}, "names b, which is no field"),
        ({"fields": {"a": "RIG.1"}, "scale": {"a": 0}}, "of a cannot be 0"),
        ({"fields": {"a": "RIG.1"}, "scale": {"a": math.inf}}, "finite"),
        ({"fields": {"a": "RIG.1"}, "talker": "i"}, "pattern"),
    ],
)
def test_options_say_what_is_wrong(options, told):
    with pytest.raises(ValidationError) as caught:
        SentenceOptions(**options)
    assert told in str(caught.value)


def test_the_sentence_in_the_example_rig_is_read_as_it_says():
    text = (Path(__file__).parents[2] / "docs/examples/rig-sentence-senml.toml").read_text(encoding="utf-8")
    link = tomllib.loads(text)["links"][0]
    del link["format"]["kind"]
    line = next(line for line in text.splitlines() if line.startswith("# $"))
    records = made(**link["format"]).decode(line.encode() + b"\n")
    assert found(records) == {"angle": [12.51], "spot": [pytest.approx(-0.133)], "ms": [2040]}
