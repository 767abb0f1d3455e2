# ruff: noqa: N802, N818, PTH123 - names and calls are those of the board
"""The hardware of a board, as far as the head's program sees it: it stands in for `machine`, under MicroPython.

Each line that the head makes sees the next scene; after the last one the power goes off.
"""

import json


class PowerOff(Exception):
    pass


class Scene:
    """What stands at the pins now."""

    def __init__(self):
        with open("/scenes.json") as f:
            self.all = json.load(f)
        self.at = 0
        self.sent = bytearray()
        self.set_up = []

    @property
    def now(self):
        return self.all[self.at]


scene = Scene()


def Pin(number):
    return number


class ADC:
    def __init__(self, pin):
        self.pin = pin
        self.turn = 0

    def read_u16(self):
        counts = scene.now["adc"][str(self.pin)]
        if isinstance(counts, int):
            return counts
        self.turn += 1
        return counts[self.turn % len(counts)]


class I2C:
    def __init__(self, bus, scl, sda, freq):
        assert (bus, scl, sda, freq) == (0, 5, 4, 400000)
        self.reads = {}

    def check(self, address):
        self.reads[scene.at] = self.reads.get(scene.at, 0) + 1
        if address != 0x19 or self.reads[scene.at] > scene.now.get("good_reads", 999):
            raise OSError(5)

    def writeto_mem(self, address, register, data):
        self.check(address)
        scene.set_up.append((scene.at, register, data[0]))

    def readfrom_mem_into(self, address, register, buffer):
        self.check(address)
        assert register == 0xA8
        assert len(buffer) == 6
        awake = [w for w in scene.set_up if w[1:] == (0x20, 0x67)]
        for k, axis in enumerate(scene.now["axes"] if awake else (0, 0, 0)):
            raw = (axis << 2) & 0xFFFF  # 14 bits at the left of 16
            buffer[2 * k] = raw & 0xFF
            buffer[2 * k + 1] = raw >> 8


class UART:
    def __init__(self, bus, baud, timeout, txbuf):
        assert (bus, baud, timeout) == (1, 115200, 0)
        self.taken_at = -1
        self.room = 0

    def write(self, data):
        if self.taken_at != scene.at:
            self.taken_at = scene.at
            self.room = scene.now.get("room", 128)
        if not self.room:
            return None
        taken = min(self.room, len(data))
        self.room -= taken
        scene.sent.extend(data[:taken])
        return taken


class WDT:
    fed = 0

    def __init__(self, timeout):
        assert timeout == 2000

    def feed(self):
        WDT.fed += 1
        scene.at += 1
        if scene.at == len(scene.all):
            raise PowerOff
