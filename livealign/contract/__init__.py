"""The tests that every driver and every format has to pass, for the authors of new ones.

Subclass `DriverContract`, `LiveDriverContract` or `ReconnectingDriverContract` with a fixture `part`, and
`FormatContract` with the cases to try; pytest does the rest. Needs `pip install "livealign[contract]"`.
"""

import pytest

# Before they are imported: a failing check then shows the values it compared.
pytest.register_assert_rewrite("livealign.contract.driver", "livealign.contract.format")

from livealign.contract.driver import (  # noqa: E402
    DriverContract,
    LiveDriverContract,
    Part,
    ReconnectingDriverContract,
)
from livealign.contract.format import Case, FormatContract, read, several  # noqa: E402
from livealign.contract.leftovers import Leftovers  # noqa: E402
from livealign.contract.listener import LINK, Listener, session_clock, until  # noqa: E402

__all__ = [
    "LINK",
    "Case",
    "DriverContract",
    "FormatContract",
    "Leftovers",
    "Listener",
    "LiveDriverContract",
    "Part",
    "ReconnectingDriverContract",
    "read",
    "session_clock",
    "several",
    "until",
]
