"""Checksums over bytes, for one record or for many of the same length at a time.

Parameters of the CRCs, in the words of the public catalogues: polynomial, start value, bits reflected or not, and
what comes of the nine bytes "123456789".

| here | also called | polynomial | start | reflected | check |
|---|---|---|---|---|---|
| crc16-ccitt | CRC-16/CCITT-FALSE, CRC-16/IBM-3740 | 1021 | FFFF | no | 29B1 |
| crc16-xmodem | CRC-16/XMODEM | 1021 | 0000 | no | 31C3 |
| crc16-modbus | CRC-16/MODBUS | 8005 | FFFF | yes | 4B37 |
| crc32 | CRC-32, CRC-32/ISO-HDLC | 04C11DB7 | FFFFFFFF, inverted at the end | yes | CBF43926 |
"""

import binascii
import zlib
from functools import reduce
from operator import xor
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["SIZES", "BinaryChecksum", "checksum", "checksums"]

BinaryChecksum = Literal["none", "sum8", "xor8", "crc16-ccitt", "crc16-xmodem", "crc16-modbus", "crc32"]

SIZES: dict[BinaryChecksum, int] = {
    "none": 0,
    "sum8": 1,
    "xor8": 1,
    "crc16-ccitt": 2,
    "crc16-xmodem": 2,
    "crc16-modbus": 2,
    "crc32": 4,
}
"""In bytes."""
STARTS: dict[BinaryChecksum, int] = {"crc16-ccitt": 0xFFFF, "crc16-xmodem": 0, "crc16-modbus": 0xFFFF}


def _reflected_table(polynomial: int) -> list[int]:
    table = []
    for value in range(256):
        for _ in range(8):
            value = value >> 1 ^ (polynomial if value & 1 else 0)  # noqa: PLW2901 - it is shifted in place
        table.append(value)
    return table


MODBUS = _reflected_table(0xA001)  # 8005 with its bits reversed
MODBUS_TABLE = np.array(MODBUS, np.uint16)
CCITT_TABLE = np.array([binascii.crc_hqx(bytes([k]), 0) for k in range(256)], np.uint16)
CRC32_TABLE = np.array(_reflected_table(0xEDB88320), np.uint32)


def checksum(kind: BinaryChecksum, data: bytes) -> int:
    """Return the checksum of some bytes; 0 if there is none."""
    match kind:
        case "none":
            return 0
        case "sum8":
            return sum(data) & 0xFF
        case "xor8":
            return reduce(xor, data, 0)
        case "crc32":
            return zlib.crc32(data)
        case "crc16-modbus":
            found = STARTS[kind]
            for byte in data:
                found = found >> 8 ^ MODBUS[(found ^ byte) & 0xFF]
            return found
        case _:
            return binascii.crc_hqx(data, STARTS[kind])


def checksums(kind: BinaryChecksum, data: NDArray[np.uint8]) -> NDArray[np.uint32]:
    """Return the checksum of each row."""
    found = np.zeros(len(data), np.uint32)
    if kind == "sum8":
        found[:] = np.add.reduce(data, axis=1, dtype=np.uint8)
    elif kind == "xor8":
        found[:] = np.bitwise_xor.reduce(data, axis=1)
    elif kind == "crc32":
        found[:] = 0xFFFFFFFF
        for byte in data.T:
            found[:] = (found >> 8) ^ CRC32_TABLE[(found ^ byte) & 0xFF]
        np.invert(found, out=found)
    elif kind != "none":
        short = np.full(len(data), STARTS[kind], np.uint16)
        for byte in data.T:
            if kind == "crc16-modbus":
                short[:] = (short >> 8) ^ MODBUS_TABLE[(short ^ byte) & 0xFF]
            else:
                short[:] = (short << 8) ^ CCITT_TABLE[(short >> 8) ^ byte]
        found[:] = short
    return found
