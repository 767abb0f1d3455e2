"""Checksums against the public catalogues of CRC parameters; COBS and SLIP against their descriptions."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livealign_drivers._checksums import SIZES, checksum, checksums
from livealign_drivers._envelope import RecordError
from livealign_drivers._stuffing import FrameCutter, most_stuffed, stuffed, unstuffed

both = pytest.mark.parametrize("kind", ["cobs", "slip"])


@pytest.mark.parametrize(
    ("kind", "check"),
    [
        ("crc16-ccitt", 0x29B1),
        ("crc16-xmodem", 0x31C3),
        ("crc16-modbus", 0x4B37),
        ("crc32", 0xCBF43926),
        ("sum8", sum(b"123456789") % 256),
        ("xor8", 0x31),  # 1 to 8 cancel but for their high half; 9 is 0x39, 1^2^...^8 is 8
        ("none", 0),
    ],
)
def test_the_check_values_of_the_catalogues(kind, check):
    assert checksum(kind, b"123456789") == check
    assert checksums(kind, np.frombuffer(b"123456789", np.uint8)[None, :]).tolist() == [check]


@given(st.integers(0, 40), st.binary(max_size=400), st.sampled_from(sorted(SIZES)))
def test_many_together_have_the_checksums_of_each(width, data, kind):
    rows = np.frombuffer(data[: len(data) // max(width, 1) * width], np.uint8).reshape(-1, max(width, 1))
    assert checksums(kind, rows).tolist() == [checksum(kind, row.tobytes()) for row in rows]


def expanded(text: str) -> bytes:
    """Turn "FF 01 ... FE" into bytes, the dots into all between."""
    out: list[int] = []
    words = text.split()
    for k, word in enumerate(words):
        if word == "...":
            out += range(out[-1] + 1, int(words[k + 1], 16))
        else:
            out.append(int(word, 16))
    return bytes(out)


# The well-known table of examples for Consistent Overhead Byte Stuffing (Cheshire and Baker, 1999).
@pytest.mark.parametrize(
    ("plain", "sent"),
    [
        ("00", "01 01 00"),
        ("00 00", "01 01 01 00"),
        ("00 11 00", "01 02 11 01 00"),
        ("11 22 00 33", "03 11 22 02 33 00"),
        ("11 22 33 44", "05 11 22 33 44 00"),
        ("11 00 00 00", "02 11 01 01 01 00"),
        ("01 02 03 ... FE", "FF 01 02 03 ... FE 00"),
        ("00 01 02 ... FE", "01 FF 01 02 ... FE 00"),
        ("01 02 03 ... FF", "FF 01 02 03 ... FE 02 FF 00"),
        ("02 03 04 ... FF 00", "FF 02 03 04 ... FF 01 01 00"),
        ("03 04 05 ... FF 00 01", "FE 03 04 05 ... FF 02 01 00"),
    ],
)
def test_cobs_as_in_its_table(plain, sent):
    assert stuffed("cobs", expanded(plain)) == expanded(sent)
    assert unstuffed("cobs", expanded(sent)[:-1]) == expanded(plain)


def test_cobs_takes_the_longer_form_of_a_full_block_at_the_end_too():
    assert unstuffed("cobs", expanded("FF 01 ... FE 01")) == expanded("01 ... FE")


def test_slip_as_in_rfc_1055():
    """END is octal 300, ESC 333, ESC END 334, ESC ESC 335; an END before the frame flushes line noise."""
    assert stuffed("slip", b"a\300b\333c") == b"\300a\333\334b\333\335c\300"
    assert unstuffed("slip", b"a\333\334b\333\335c") == b"a\300b\333c"


@pytest.mark.parametrize(("kind", "data"), [("cobs", b"\x05ab"), ("slip", b"a\xdbb"), ("slip", b"a\xdb")])
def test_what_cannot_have_been_stuffed_is_refused(kind, data):
    with pytest.raises(RecordError):
        unstuffed(kind, data)


@both
@given(frames=st.lists(st.binary(min_size=1, max_size=600)), step=st.integers(1, 300))
def test_stuffed_frames_come_back_in_any_pieces(kind, frames, step):
    stream = b"".join(stuffed(kind, f) for f in frames)
    cutter = FrameCutter(kind, most_stuffed(kind, 600))
    found = [f for i in range(0, len(stream), step) for f in cutter.feed(stream[i : i + step])]
    assert [unstuffed(kind, f) for f in found] == frames
    assert all(len(f) <= most_stuffed(kind, len(p)) for f, p in zip(found, frames, strict=True))


@both
@given(data=st.binary())
def test_any_bytes_are_a_frame_or_refused(kind, data):
    try:
        plain = unstuffed(kind, data)
    except RecordError:
        return
    assert len(plain) <= len(data)


@both
def test_an_endless_frame_takes_no_memory(kind):
    cutter = FrameCutter(kind, 10)
    for _ in range(100):
        assert cutter.feed(b"x" * 50) == []
    assert len(cutter._rest) == 11
    end = stuffed(kind, b"a")[-1:]
    assert cutter.feed(end + b"ab" + end) == [b"x" * 11, b"ab"]
