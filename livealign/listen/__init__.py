"""From an unknown stream to a rig file: what it is, what its numbers mean, and why that is thought.

`heard`, `delimited`, `structured`, `packed`, `formats`, `names`, `columns`, `roles` and `rig_text` are pure: they guess
from bytes alone. `sources` reads what the person asks for, `receive` and `around` talk to the world.
"""
