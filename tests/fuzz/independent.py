"""Checksums and stuffing worked out a second time, bit by bit, as their descriptions say it; slow and plain."""

__all__ = ["crc", "sealed_cobs", "sealed_slip", "sum_of", "unstuffed_cobs", "unstuffed_slip"]

# Name -> width, polynomial, start, reflected, inverted at the end; as in the public catalogues of CRC parameters.
CRCS = {
    "crc16": (16, 0x1021, 0, False, 0),
    "crc16-xmodem": (16, 0x1021, 0, False, 0),
    "crc16-ccitt": (16, 0x1021, 0xFFFF, False, 0),
    "crc16-modbus": (16, 0x8005, 0xFFFF, True, 0),
    "crc32": (32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF),
}


def sum_of(kind: str, data: bytes) -> int:
    """Return a checksum by its name in the rig file."""
    found = 0
    if kind == "xor8":
        for byte in data:
            found ^= byte
    elif kind == "sum8":
        for byte in data:
            found = (found + byte) % 256
    else:
        found = crc(*CRCS[kind], data)
    return found


def crc(width: int, polynomial: int, start: int, reflected: bool, at_end: int, data: bytes) -> int:
    """Shift bit after bit through the register."""
    register, top = start, 1 << (width - 1)
    for byte in data:
        for k in range(8) if reflected else range(7, -1, -1):
            out = bool(register & top) != bool(byte >> k & 1)
            register = register << 1 & (2 * top - 1)
            if out:
                register ^= polynomial
    if reflected:
        register = int(f"{register:0{width}b}"[::-1], 2)
    return register ^ at_end


def sealed_slip(frame: bytes) -> bytes:
    """Return a frame as RFC 1055 sends it."""
    plain = {0xC0: b"\xdb\xdc", 0xDB: b"\xdb\xdd"}
    return b"".join(plain.get(byte, bytes([byte])) for byte in frame) + b"\xc0"


def unstuffed_slip(data: bytes) -> bytes | None:
    """Return the frame; None if it has an escape that the RFC does not know."""
    out, escaped = bytearray(), False
    for byte in data:
        if escaped:
            if byte not in {0xDC, 0xDD}:
                return None
            out.append(0xC0 if byte == 0xDC else 0xDB)
            escaped = False
        elif byte == 0xDB:
            escaped = True
        else:
            out.append(byte)
    return None if escaped else bytes(out)


def sealed_cobs(frame: bytes) -> bytes:
    """Return a short frame (under 255 bytes) as COBS sends it: each zero tells how far it is to the next."""
    out = bytearray()
    for run in frame.split(b"\x00"):
        out += bytes([len(run) + 1]) + run
    return bytes(out) + b"\x00"


def unstuffed_cobs(data: bytes) -> bytes | None:
    """Return the frame; None if a code points beyond it."""
    out, left, zero = bytearray(), 0, False
    for byte in data:
        if left == 0:
            if byte == 0:
                return None
            if zero:
                out.append(0)
            left, zero = byte - 1, byte != 255
        else:
            out.append(byte)
            left -= 1
    return bytes(out) if left == 0 else None
