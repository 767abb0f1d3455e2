"""Packed records."""

import math
import struct
import tomllib
import zlib
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from livealign.errors import PersonError
from livealign.stream.contracts import Format
from livealign_drivers._checksums import checksum
from livealign_drivers._stuffing import stuffed
from livealign_drivers.binary import BinaryFormat, BinaryOptions

BASE = {"layout": "<Hhf", "columns": ("count", "spot", "angle")}


def made(**options) -> BinaryFormat:
    given = {"sync": "aa55", "checksum": "crc16-ccitt", **BASE, **options}
    if (
        given["framing" if "framing" in given else "sync"] in {"cobs", "slip", "message"}
        and "sync" not in options
    ):
        del given["sync"]
    return BinaryFormat(BinaryOptions(**given))


def frame(count: int, spot: int = -5, angle: float = 12.5) -> bytes:
    body = struct.pack("<Hhf", count, spot, angle)
    return b"\xaa\x55" + body + checksum("crc16-ccitt", body).to_bytes(2, "little")


def counts(records) -> list[float]:
    return records.columns["count"].tolist()


def test_records_are_found_by_their_sync_word():
    records = made(scale={"spot": 0.1}).decode(frame(1) + frame(2))
    assert {k: v.tolist() for k, v in records.columns.items()} == {
        "count": [1, 2],
        "spot": [-0.5, -0.5],
        "angle": [12.5, 12.5],
    }
    assert (records.count, records.bad, records.last_bad) == (2, 0, "")
    assert isinstance(made(), Format)


def test_every_letter_in_either_order():
    values = [-1, 2, -3, 4, -5, 6, -7, 8, -9, 10, 0.5, -0.25, 0.1]
    columns = tuple(f"v{k}" for k in range(len(values)))
    for order in "<>":
        layout = order + "bBhHiIlLqQefd"
        form = made(layout=layout, columns=columns, checksum="none")
        data = b"\xaa\x55" + struct.pack(layout, *values)
        for stream in (data, data * 50):
            found = form.decode(stream).columns
            assert [found[c][-1] for c in columns] == [
                *values[:-3],
                *struct.unpack("<efd", struct.pack("<efd", *values[-3:])),
            ]


def test_bytes_may_be_skipped_and_letters_counted():
    form = made(layout=">x2h3xB", columns=("a", "b", "c"), checksum="none")
    data = b"\xaa\x55" + struct.pack(">x2h3xB", 1, -2, 3)
    for stream in (data, data * 50):
        assert [form.decode(stream).columns[c][-1] for c in "abc"] == [1, -2, 3]
    assert form.encode({"a": 1, "b": -2, "c": 3}) == data


@pytest.mark.parametrize("many", [1, 60])
def test_the_checksum_covers_what_is_said_in_the_order_that_is_said(many):
    body = struct.pack("<Hhf", 1, -5, 12.5)
    all_of_it = b"\xaa\x55" + body
    for order in ("little", "big"):
        over_all = all_of_it + zlib.crc32(all_of_it).to_bytes(4, order)
        over_numbers = all_of_it + zlib.crc32(body).to_bytes(4, order)
        options = {"checksum": "crc32", "checksum_order": order}
        assert made(**options).decode(over_numbers * many).count == many
        assert made(**options, checksum_covers="all").decode(over_all * many).count == many
        assert made(**options).decode(over_all * many).count == 0
        assert made(**options).encode({"count": 1, "spot": -5, "angle": 12.5}) == over_numbers


def test_a_damaged_record_costs_itself_only():
    hit = bytearray(frame(2))
    hit[5] ^= 1
    records = made().decode(frame(1) + bytes(hit) + frame(3))
    assert counts(records) == [1, 3]
    assert records.bad == 1
    assert "'aa 55 02 00 fb" in records.last_bad
    assert "says checksum" in records.last_bad


def test_a_lost_byte_and_noise_cost_one_record_each():
    records = made().decode(
        frame(1) + frame(2)[:-1] + frame(3) + b"noise" + frame(4) + frame(5)[2:] + frame(6)
    )
    assert counts(records) == [1, 3, 4, 6]
    assert records.bad == 3
    assert "does not come where a record should begin" in records.last_bad


def test_a_sync_word_among_the_numbers_misleads_nobody():
    twin = frame(0x55AA, 0x55AA)
    records = made().decode(twin[4:] + twin * 3 + twin[:-3] + twin * 2)
    assert counts(records) == [0x55AA] * 5
    assert records.bad == 1


def test_what_was_cut_is_no_fault_also_after_an_interruption():
    form = made()
    assert form.decode(frame(1)[4:] + frame(2)).bad == 0
    form.decode(frame(3)[:6])
    form.reset()
    records = form.decode(frame(3)[6:] + frame(4))
    assert (counts(records), records.bad) == ([4], 0)


def test_endless_garbage_is_counted_in_records_and_takes_no_memory():
    form = made()
    records = [form.decode(b"\xaa\x55\xaa" * 1000) for _ in range(10)]
    assert sum(r.bad for r in records) == pytest.approx(30000 / len(frame(1)), abs=1)
    assert len(form._scanner._rest) < len(frame(1))


def test_a_number_that_is_infinite_is_bad_and_nan_is_missing():
    for many in (1, 60):
        records = made().decode(frame(1, angle=math.nan) * many + frame(2, angle=math.inf) + frame(3))
        assert counts(records) == [1] * many + [3]
        assert np.isnan(records.columns["angle"][:many]).all()
        assert records.bad == 1
        assert "is infinite" in records.last_bad
    records = made(layout="<d", columns=("a",), checksum="none", scale={"a": 1e9}).decode(
        b"\xaa\x55" + struct.pack("<d", 1e308)
    )
    assert (records.count, records.bad) == (0, 1), "scaled beyond what a number can hold"


@pytest.mark.parametrize("kind", ["cobs", "slip"])
def test_framed_records(kind):
    form = made(framing=kind)
    sent = [form.encode({"count": n, "spot": 0, "angle": 0.0}) for n in range(5)]
    assert sent[1] == stuffed(kind, frame(1, 0, 0.0)[2:])
    hit = bytearray(sent[2])
    hit[3] ^= 0x10
    end = sent[0][-1:]
    records = form.decode(
        b"cut" + end + sent[0] + sent[1] + bytes(hit) + sent[3] + end * 3 + b"x" * 99 + end + sent[4]
    )
    assert counts(records) == [0, 1, 3, 4]
    assert records.bad == 2
    assert "is longer than" in records.last_bad
    form.decode(sent[1][:4])
    form.reset()
    records = form.decode(sent[1][4:] + sent[2])
    assert (counts(records), records.bad) == ([2], 0)


def test_a_message_is_a_record():
    form = made(framing="message")
    whole = frame(1)[2:]
    assert form.encode({"count": 1, "spot": -5, "angle": 12.5}) == whole
    assert counts(form.decode(whole)) == [1]
    assert form.decode(b"").bad == 0
    for wrong, why in [
        (whole[:-1], "has 9 bytes instead of 10"),
        (whole * 2, "has 20 bytes"),
        (whole[::-1], "says"),
    ]:
        records = form.decode(wrong)
        assert (records.count, records.bad) == (0, 1)
        assert why in records.last_bad
    begun = made(framing="message", sync="aa55")
    assert counts(begun.decode(frame(1))) == [1]
    assert "does not begin with aa55" in begun.decode(b"\xab" + frame(1)[1:]).last_bad


def test_what_does_not_fit_cannot_be_written():
    form = made(scale={"spot": 0.1})
    fine = {"count": 1.0, "spot": -0.5, "angle": 12.5}
    assert form.encode(fine) == frame(1)
    assert form.encode({"count": 1.0, "spot": -0.52}) == frame(1, angle=math.nan)
    for wrong, why in [
        ({"count": -1}, "does not fit"),
        ({"count": 65536}, "does not fit"),
        ({"angle": 1e300}, "does not fit"),
        ({"angle": math.inf}, "infinite"),
        ({"count": math.nan}, "a whole number cannot tell"),
    ]:
        with pytest.raises(PersonError, match=why):
            form.encode({**fine, **wrong})
    assert form.preamble() == b""


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"layout": "Hhf"}, "is no layout"),
        ({"layout": "<Hh?"}, "is no layout"),
        ({"layout": "@Hhf"}, "is no layout"),
        ({"layout": "<999d"}, "cannot have more than 4096 bytes"),
        ({"layout": "<Hh"}, "`layout` has 2 numbers, `columns` names 3"),
        ({"layout": "<2x"}, "`layout` has 0 numbers"),
        ({"columns": ("a", "a", "b")}, "a comes twice"),
        ({"columns": ()}, "at least 1"),
        ({"sync": "aa5"}, "is no sync word"),
        ({"sync": ""}, "`sync` is missing"),
        ({"checksum": "crc16"}, "crc16-ccitt"),
        ({"scale": {"x": 2}}, "names x"),
        ({"scale": {"spot": 0}}, "cannot be 0"),
    ],
)
def test_options_say_what_is_wrong(options, told):
    with pytest.raises(ValidationError) as caught:
        made(**options)
    assert told in str(caught.value)


def test_the_records_of_the_example_rig_have_the_bytes_it_says():
    text = (Path(__file__).parents[2] / "docs/examples/rig-binary.toml").read_text(encoding="utf-8")
    sent = {"count": 1.0, "ms": 2040.0, "angle": 12.5, "spot": -133.0, "light": 812.0}
    for link in tomllib.loads(text)["links"]:
        del link["format"]["kind"]
        form = BinaryFormat(BinaryOptions(**link["format"]))
        data = form.encode(sent)
        assert {k: v.tolist() for k, v in form.decode(data).columns.items()} == {
            k: [v] for k, v in sent.items()
        }
        if link["name"] == "S":
            body = struct.pack("<IIffH", 1, 2040, 12.5, -133.0, 812)
            assert data == b"\xaa\x55" + body + checksum("crc16-ccitt", body).to_bytes(2, "little")
            assert f"The {len(data)} bytes" in text
