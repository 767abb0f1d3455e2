"""A home-built head: two axes of an accelerometer and the two electrodes of a position detector, as lines.

    count,ms,ax,ay,plus,minus,battery,temperature*CRC16

An empty cell is a number that could not be read. Copy this file, line.py and settings.py to a board with MicroPython.
"""

import select
import sys
import time

import machine
import settings
from line import Burst, LineEncoder, Sender, Stamp, signed

CELLS = 8
ADC_MOST = 65535


class Accelerometer:
    """Any accelerometer that is read over registers, as settings.py describes it."""

    def __init__(self, i2c):
        """Take the bus; the chip is set up at the first reading, and again after it was lost."""
        self._i2c = i2c
        self._raw = bytearray(settings.ACCEL_LENGTH)
        self._ready = False
        end = (1 << (8 * settings.ACCEL_WIDTH - 1 - settings.ACCEL_SHIFT)) - 1
        self.axes = [Burst(settings.READINGS, end, None) for _ in settings.ACCEL_PLACES]

    def set_up(self):
        """Write the set-up, unless the chip is already at work."""
        if self._ready:
            return
        try:
            for register, value in settings.ACCEL_SETUP:
                self._i2c.writeto_mem(settings.ACCEL_ADDRESS, register, bytes((value,)))
            self._ready = True
        except OSError:
            pass  # not there, or a loose wire: the cells stay empty, and the next line tries again

    def read(self):
        """Take one reading of both axes."""
        if not self._ready:
            return
        try:
            self._i2c.readfrom_mem_into(settings.ACCEL_ADDRESS, settings.ACCEL_DATA, self._raw)
        except OSError:
            self._ready = False
            return
        for burst, place in zip(self.axes, settings.ACCEL_PLACES):
            number = signed(self._raw, place, settings.ACCEL_WIDTH, settings.ACCEL_HIGH_FIRST)
            burst.add(number >> settings.ACCEL_SHIFT)


class Electrode:
    """A converter's pin, added up."""

    def __init__(self, pin):
        """Take the pin's number."""
        self._adc = machine.ADC(machine.Pin(pin))
        self.burst = Burst(settings.READINGS, settings.ADC_END, settings.READINGS * ADC_MOST)

    def read(self):
        """Take one reading."""
        self.burst.add(self._adc.read_u16())


def usb_write():
    """Return what writes to USB if there is room, so that a computer that does not listen stops nothing."""
    poll = select.poll()
    poll.register(sys.stdout, select.POLLOUT)
    out = sys.stdout.buffer

    def write(data):
        return out.write(data) if poll.poll(0) else None

    return write


def uart_write():
    """Return what writes to a UART without waiting."""
    uart = machine.UART(settings.UART_BUS, settings.UART_BAUD, timeout=0, txbuf=256)
    return uart.write


def slow_channel(pin):
    """Return what reads a pin that changes slowly, or what says that there is none."""
    return (lambda: None) if pin is None else machine.ADC(machine.Pin(pin)).read_u16


def not_filled_in():
    """Return the names in the first part of settings.py that still say None."""
    optional = ("BATTERY", "TEMPERATURE", "UART_BUS")
    return sorted(
        name
        for name in dir(settings)
        if name.isupper() and name not in optional and getattr(settings, name) is None
    )


def run(write):
    """Read and send for ever."""
    i2c = machine.I2C(
        settings.I2C_BUS, scl=machine.Pin(settings.I2C_SCL), sda=machine.Pin(settings.I2C_SDA), freq=400000
    )
    accelerometer = Accelerometer(i2c)
    electrodes = [Electrode(settings.ELECTRODE_PLUS), Electrode(settings.ELECTRODE_MINUS)]
    slow = [slow_channel(settings.BATTERY), slow_channel(settings.TEMPERATURE)]
    bursts = accelerometer.axes + [electrode.burst for electrode in electrodes]
    encoder, stamp = LineEncoder(CELLS), Stamp(-1)
    cells = [None] * CELLS
    sender = Sender(write, 128)
    watchdog = machine.WDT(timeout=settings.WATCHDOG_MS) if settings.WATCHDOG_MS else None
    step_us = settings.PERIOD_MS * 1000 // settings.READINGS
    due_us, last_ms = time.ticks_us(), time.ticks_ms()
    while True:
        accelerometer.set_up()
        for _ in range(settings.READINGS):
            late_us = time.ticks_diff(time.ticks_us(), due_us)
            if late_us < 0:
                time.sleep_us(-late_us)
            elif late_us > 2 * step_us:
                due_us = time.ticks_us()  # held up: go on from here, do not hurry after
            due_us = time.ticks_add(due_us, step_us)
            accelerometer.read()
            for electrode in electrodes:
                electrode.read()
        now_ms = time.ticks_ms()
        stamp.tick(time.ticks_diff(now_ms, last_ms))
        last_ms = now_ms
        cells[0], cells[1] = stamp.count, stamp.ms
        for k, burst in enumerate(bursts, 2):
            cells[k] = burst.total()
        for k, read in enumerate(slow, 6):
            cells[k] = read()
        sender.send(encoder.encode(cells))
        if watchdog is not None:
            watchdog.feed()


if __name__ == "__main__":
    empty = not_filled_in()
    if empty:
        print("# fill in settings.py:", ", ".join(empty))
    else:
        run(usb_write() if settings.UART_BUS is None else uart_write())
