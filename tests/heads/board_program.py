# ruff: noqa: E402, PTH123, SIM105, T201 - MicroPython knows less
"""Runs on the board: what the head's program makes there, told as JSON."""

import gc
import json

import line

with open("/samples.json") as f:
    samples = json.load(f)

encoder = line.LineEncoder(8)
lines = [bytes(encoder.encode(cells)).decode() for cells in samples]

stamp = line.Stamp(65533, 4294967296 - 120)
wrapping = []
for k in range(6):
    stamp.tick(50)
    wrapping.append(bytes(encoder.encode([stamp.count, stamp.ms, k, -k, 1, 2, None, None])).decode())

cells = [1, 2, -262144, 262144, 448000, 192000, 40000, 9000]
gc.collect()
gc.disable()
before = gc.mem_alloc()
for _ in range(50):
    encoder.encode(cells)
heap = (gc.mem_alloc() - before) // 50
gc.enable()

import machine
import main

unfilled = main.not_filled_in()
with open("/filled.json") as f:
    for name, value in json.load(f).items():
        setattr(main.settings, name, value)
left_to_fill = main.not_filled_in()
main.usb_write()(encoder.encode([1, 2, 3, None]))
try:
    main.run(main.uart_write())
except machine.PowerOff:
    pass

print(
    json.dumps(
        {
            "lines": lines,
            "wrapping": wrapping,
            "heap": heap,
            "unfilled": unfilled,
            "left_to_fill": left_to_fill,
            "sent": machine.scene.sent.decode(),
            "set_up": machine.scene.set_up,
            "fed": machine.WDT.fed,
        }
    )
)
