"""What a head does that needs no hardware: numbers added up, a clock, lines with a checksum, and their sending.

Runs on MicroPython 1.21 or newer and, for the tests, on Python. Whole numbers only, and the buffers are made once.
"""

COMMA, MINUS, STAR, NEWLINE, ZERO = 44, 45, 42, 10, 48
LARGEST = 4294967295
"""Of a cell: ten digits. A number beyond is left out, since a cut one would look right."""
CELL_BYTES = 12
END_BYTES = 6
HEX = b"0123456789ABCDEF"

# CRC-16/XMODEM: polynomial 1021, start 0, not reflected; "123456789" gives 31C3. What each half of a byte brings.
CRC16 = (
    0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50A5, 0x60C6, 0x70E7,
    0x8108, 0x9129, 0xA14A, 0xB16B, 0xC18C, 0xD1AD, 0xE1CE, 0xF1EF,
)  # fmt: skip


def crc16(data, length):
    """Return the checksum of the first bytes of `data`."""
    crc = 0
    for k in range(length):
        byte = data[k]
        crc = ((crc << 4) & 0xFFFF) ^ CRC16[(crc >> 12) ^ (byte >> 4)]
        crc = ((crc << 4) & 0xFFFF) ^ CRC16[(crc >> 12) ^ (byte & 15)]
    return crc


def signed(data, at, width, high_first):
    """Return the number with a sign that `width` bytes from `at` on hold."""
    number = 0
    for k in range(width):
        number = number << 8 | data[at + (k if high_first else width - 1 - k)]
    end = 1 << (8 * width)
    return number - end if number >= end >> 1 else number


def write_number(buffer, at, number):
    """Write a whole number in decimal digits; return where it ends. None leaves the cell empty: not known."""
    if number is None or not -LARGEST <= number <= LARGEST:
        return at
    if number < 0:
        buffer[at] = MINUS
        at += 1
        number = -number
    end = at + 1
    rest = number // 10
    while rest:
        end += 1
        rest //= 10
    for k in range(end - 1, at - 1, -1):
        buffer[k] = ZERO + number % 10
        number //= 10
    return end


class LineEncoder:
    r"""Makes lines such as `17,2040,-262144,1305*5BC2\n`: whole numbers, a comma between them, CRC-16 of all before `*`."""

    def __init__(self, cells):
        """Make room for lines of so many cells."""
        self._buffer = bytearray(CELL_BYTES * cells + END_BYTES)
        self._view = memoryview(self._buffer)

    def encode(self, cells):
        """Return the line; it holds until the next one is made."""
        buffer = self._buffer
        at = 0
        for number in cells:
            at = write_number(buffer, at, number)
            buffer[at] = COMMA
            at += 1
        at -= 1
        crc = crc16(buffer, at)
        buffer[at] = STAR
        for k in range(4):
            buffer[at + 4 - k] = HEX[crc & 15]
            crc >>= 4
        buffer[at + 5] = NEWLINE
        return self._view[: at + 6]


class Stamp:
    """Counts lines in 16 bits and milliseconds in 32, each from 0 again after its last number."""

    def __init__(self, count=0, ms=0):
        """Begin at these numbers."""
        self.count = count
        self.ms = ms

    def tick(self, elapsed_ms):
        """Go on by one line and by the time since the last one."""
        self.count = (self.count + 1) & 0xFFFF
        self.ms = (self.ms + elapsed_ms) & 0xFFFFFFFF


class Burst:
    """The sum of so many readings of one channel.

    One reading at the end of the range spoils the average, though the sum would look right: `at_end` is told instead.
    """

    def __init__(self, readings, end, at_end):
        """Take how many readings make a sum, what a reading cannot reach undisturbed, and what is told if one does."""
        self._readings = readings
        self._end = end
        self._at_end = at_end
        self._begin()

    def _begin(self):
        self._sum = 0
        self._taken = 0
        self._clipped = False

    def add(self, reading):
        """Take one reading; None: there was none."""
        if reading is None:
            return
        if reading >= self._end or reading <= -self._end:
            self._clipped = True
        self._sum += reading
        self._taken += 1

    def total(self):
        """Return the sum, or None if readings are missing; begin anew."""
        found = self._sum if self._taken == self._readings else None
        if found is not None and self._clipped:
            found = self._at_end
        self._begin()
        return found


class Sender:
    """Gives whole lines to an outlet that may take a part only; a line that finds the last one unfinished is dropped."""

    def __init__(self, write, largest):
        """Take what writes bytes without waiting and returns how many (or None), and the length of the longest line."""
        self._write = write
        self._kept = bytearray(largest)
        self._view = memoryview(self._kept)
        self._from = 0
        self._to = 0
        self.dropped = 0

    def send(self, line):
        """Send a line or drop it: the counter in the lines shows the gap."""
        if not self._finished():
            self.dropped += 1
            return
        self._to = len(line)
        self._view[: self._to] = line
        self._from = 0
        self._finished()

    def _finished(self):
        if self._from < self._to:
            self._from += self._write(self._view[self._from : self._to]) or 0
        return self._from >= self._to
