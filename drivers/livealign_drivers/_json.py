"""JSON that comes over a wire, read strictly."""

import json
import math
from typing import Any, NoReturn

from livealign_drivers._envelope import RecordError

__all__ = ["finite", "parsed"]


def parsed(text: bytes) -> Any:
    """Return what JSON text says.

    Raises:
        RecordError: if it is not UTF-8 or not JSON; NaN and its like are not.
    """
    try:
        return _DECODER.decode(text.decode())
    except UnicodeDecodeError:
        raise RecordError("is not UTF-8") from None
    except json.JSONDecodeError as e:
        raise RecordError(f"is not JSON: {e.msg} at character {e.pos + 1}") from None
    except (ValueError, RecursionError) as e:  # NaN, a whole number without end, brackets without end
        raise RecordError(f"is not JSON that can be read: {e}") from None


def finite(value: float, where: str) -> float:
    """Return a number of JSON as a float.

    Raises:
        RecordError: if it is too large for one.
    """
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise RecordError(f"has a number at {where} that is too large")
    return number


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not a JSON number")


_DECODER = json.JSONDecoder(parse_constant=_no_constant)
