"""Binary records pass the tests that are shipped for the authors of new formats, and read alike in either way."""

import pytest
from hypothesis import strategies as st

import livealign_drivers._sync as module
from livealign.contract import Case, FormatContract, read
from livealign_drivers.binary import BinaryFormat

PACKED = {"layout": ">Hxbf", "columns": ("a", "b", "c"), "scale": {"b": 0.5}}


def packed(**options) -> dict:
    return {**PACKED, **options}


class TestBinary(FormatContract):
    format_class = BinaryFormat
    # A weak checksum lets one garbled record in 256 through, and a stray sync word may hide the record after next.
    cases = {
        "no checksum": Case(packed(sync="aa55"), recovers=False),
        "one byte sync, sum8": Case(packed(sync="00", checksum="sum8"), recovers=False),
        "repeating sync, xor8": Case(
            packed(sync="aaaa", checksum="xor8", checksum_covers="all"), recovers=False
        ),
        "crc16-ccitt, scaled": Case(
            packed(sync="aa55", checksum="crc16-ccitt", scale={"b": 0.5, "c": 1e30}), recovers=False
        ),
        "crc16-modbus": Case(
            packed(sync="a55a01", checksum="crc16-modbus", checksum_order="big"), recovers=False
        ),
        "crc32": Case(packed(sync="aa55", checksum="crc32"), checksum=True),
        "cobs": Case(packed(framing="cobs", checksum="crc32"), checksum=True),
        "cobs, no checksum": Case(packed(framing="cobs")),
        "slip": Case(packed(framing="slip", checksum="crc32"), checksum=True),
        "message": Case(packed(framing="message", checksum="crc32"), checksum=True, messages=True),
    }
    relative = 1e-6
    endless_bytes = 32_000
    most_memory_bytes = 16_000

    def fields(self, case):
        scale = case.options["scale"].get("c", 1)
        singles = st.floats(width=32, allow_infinity=False, allow_subnormal=False)
        return st.fixed_dictionaries(
            {
                "a": st.integers(0, 65535),
                "b": st.integers(-128, 127).map(lambda b: b * 0.5),
                "c": singles.map(lambda c: c * scale),
            }
        )

    def odd(self, case):
        sync = bytes.fromhex(case.options.get("sync", "00c0"))
        pieces = [sync, sync[:1], b"\x00", b"\xc0\xdb", b"\x7f\x80\x00\x00", b"\x00" * 9]
        return st.binary(max_size=20) | st.sampled_from(pieces)

    def check_more(self, case, stream, whole):
        for few in (1, 10**9):
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(module, "FEW", few)
                assert read(self.form(case), [stream]) == whole, "together or one by one"
