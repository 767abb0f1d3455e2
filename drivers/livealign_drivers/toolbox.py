"""What authors of drivers and formats may build on.

`ReconnectingDriver` does all that a link which comes and goes needs; a subclass opens its link, says `_opened`, hands over
bytes with `_deliver` and raises `LinkError` when the link is gone. `LineCutter` cuts a stream into lines of bounded length.
"""

from livealign_drivers._lines import LineCutter, shortened
from livealign_drivers._reconnecting import LinkError, ReconnectingDriver, ReconnectSeconds

__all__ = ["LineCutter", "LinkError", "ReconnectSeconds", "ReconnectingDriver", "shortened"]
