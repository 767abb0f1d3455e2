"""Whatever bytes come, in whatever pieces: one answer, no crash, no infinite number, however they are read."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import livealign_drivers._sync as module
from livealign_drivers.binary import BinaryFormat, BinaryOptions

CONFIGURATIONS = {
    "no checksum": {"sync": "aa55"},
    "one byte sync, sum8": {"sync": "00", "checksum": "sum8"},
    "repeating sync, xor8": {"sync": "aaaa", "checksum": "xor8", "checksum_covers": "all"},
    "crc16-ccitt, scaled": {"sync": "aa55", "checksum": "crc16-ccitt", "scale": {"c": 1e30}},
    "crc16-modbus": {"sync": "a55a01", "checksum": "crc16-modbus", "checksum_order": "big"},
    "crc32": {"sync": "aa55", "checksum": "crc32"},
    "cobs": {"framing": "cobs", "checksum": "crc32"},
    "cobs, no checksum": {"framing": "cobs"},
    "slip": {"framing": "slip", "checksum": "crc32"},
}
every_configuration = pytest.mark.parametrize("name", CONFIGURATIONS)

fields = st.fixed_dictionaries(
    {"a": st.integers(0, 65535), "b": st.integers(-128, 127), "c": st.floats(width=32, allow_infinity=False)}
)


def made(name: str) -> BinaryFormat:
    scale = {"scale": {"b": 0.5}, **CONFIGURATIONS[name]}
    return BinaryFormat(BinaryOptions(layout=">Hxbf", columns=("a", "b", "c"), **scale))


def sent(name: str, record: dict) -> bytes:
    form = made(name)
    factors = dict(zip("abc", form._packed._factors, strict=True))
    return form.encode({k: v * factors[k] for k, v in record.items()})


def garbage(name: str) -> st.SearchStrategy[bytes]:
    sync = bytes.fromhex(CONFIGURATIONS[name].get("sync", "00c0"))
    pieces = [sync, sync[:1], b"\x00", b"\xc0\xdb", b"\x7f\x80\x00\x00", b"\x00" * 9]
    return st.one_of(st.binary(max_size=20), st.lists(st.sampled_from(pieces), max_size=6).map(b"".join))


@st.composite
def streams(draw, name: str) -> bytes:
    """Runs of good records, long enough to be read together, with damage between them and in them."""
    parts = []
    for _ in range(draw(st.integers(0, 4))):
        some = draw(st.lists(fields.map(lambda r: sent(name, r)), min_size=1, max_size=4))
        run = some * draw(st.integers(1, 20))
        for at in draw(st.lists(st.integers(0, len(run) - 1), max_size=2)):
            hit = bytearray(run[at])
            hit[draw(st.integers(0, len(hit) - 1))] ^= draw(st.integers(1, 255))
            run[at] = bytes(hit)[: draw(st.sampled_from([99, 99, 5]))]
        parts += [*run, draw(garbage(name))]
    return b"".join(parts)


def whole(form: BinaryFormat, payloads: list[bytes]) -> tuple:
    rows, bad, last = [], 0, ""
    for payload in payloads:
        records = form.decode(payload)
        rows += np.column_stack(list(records.columns.values())).tolist()
        bad, last = bad + records.bad, records.last_bad or last
    return repr(rows), bad, last


@every_configuration
@settings(max_examples=30, deadline=None)
@given(data=st.data())
def test_any_cutting_and_either_way_of_reading_give_the_same(name, data):
    stream = data.draw(streams(name))
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    together = whole(made(name), [stream])
    assert "inf" not in together[0]
    assert whole(made(name), [stream[a:b] for a, b in pairwise([0, *cuts, len(stream)])]) == together
    assert whole(made(name), [stream[i : i + 1] for i in range(len(stream))]) == together
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "FEW", 10**9)
        assert whole(made(name), [stream]) == together, "one by one"
        patch.setattr(module, "FEW", 1)
        assert whole(made(name), [stream]) == together, "together"


@every_configuration
@settings(max_examples=40)
@given(payloads=st.lists(st.binary(max_size=300)))
def test_garbage_never_raises_and_is_never_infinite(name, payloads):
    form = made(name)
    for payload in payloads:
        records = form.decode(payload)
        assert all(len(c) == records.count for c in records.columns.values())
        assert not any(np.isinf(c).any() for c in records.columns.values())
        assert (records.bad > 0) == bool(records.last_bad)
        assert records.last_bad.isprintable()


@every_configuration
@settings(max_examples=40)
@given(records=st.lists(fields, max_size=60))
def test_what_is_written_is_read_back(name, records):
    found = made(name).decode(b"".join(sent(name, r) for r in records))
    assert (found.count, found.bad) == (len(records), 0)
    factors = dict(zip("abc", made(name)._packed._factors, strict=True))
    for column, factor in factors.items():
        expected = np.array([r[column] for r in records], np.float64) * factor
        np.testing.assert_allclose(found.columns[column], expected, rtol=1e-6, atol=1e-44 * factor)


@pytest.mark.parametrize("name", ["crc32", "cobs", "slip"])
@settings(max_examples=60)
@given(data=st.data(), before=st.integers(1, 20), after=st.integers(1, 20))
def test_a_damaged_record_costs_itself_and_with_its_end_one_neighbour(name, data, before, after):
    hit = sent(name, {"a": 999, "b": 1, "c": 1.0})
    at, kind = data.draw(st.integers(0, len(hit) - 1)), data.draw(st.sampled_from(["flip", "lose", "add"]))
    byte = bytes([hit[at] ^ data.draw(st.integers(1, 255))])
    damaged = hit[:at] + {"flip": byte, "lose": b"", "add": byte + hit[at : at + 1]}[kind] + hit[at + 1 :]
    good = [sent(name, {"a": n, "b": 0, "c": 0.0}) for n in range(before + after)]
    records = made(name).decode(b"".join([*good[:before], damaged, *good[before:]]))
    found = [a for a in records.columns["a"].tolist() if a != 999]
    if name == "cobs" and at == len(hit) - 1 and kind != "add":
        assert found in (list(range(before + after)), [*range(before), *range(before + 1, before + after)])
    else:
        assert found == list(range(before + after))
    assert records.bad <= 2
