"""Moves and states in plain words."""

__all__ = ["FAIR", "held", "horizontal_move", "parking", "probability", "vertical_move"]

_MIL_MM = 0.0254
_GOOD = 0.9
FAIR = 0.5
"""Below this share of the best sensitivity a parking angle is poor."""


def _amount(mm: float, units: str) -> str | None:
    """Return the size of a move to the shim's resolution, None if it rounds to nothing."""
    if units == "inch":
        mils = round(abs(mm) / _MIL_MM, 1)
        return f"{mils:.1f} mil" if mils >= 0.5 else None
    rounded = round(abs(mm), 2)
    return f"{rounded:.2f} mm" if rounded > 0.0 else None


def vertical_move(mm: float | None, units: str) -> str:
    """Say a vertical move: add or remove shims."""
    if mm is None:
        return "not known"
    amount = _amount(mm, units)
    if amount is None:
        return "leave as it is"
    return f"add {amount}" if mm > 0.0 else f"remove {amount}"


def horizontal_move(mm: float | None, units: str) -> str:
    """Say a sideways move."""
    if mm is None:
        return "not known"
    amount = _amount(mm, units)
    if amount is None:
        return "leave as it is"
    return f"{amount} toward {'3' if mm > 0.0 else '9'} o'clock"


def probability(share: float) -> str:
    """Say a probability; what is all but certain is not called so."""
    if share < 0.01:
        return "less than 1 %"
    return "more than 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def parking(angle_deg: float, *, vertical: bool, share: float, best_deg: float) -> str:
    """Say how well a parking angle serves the plane that is adjusted.

    Args:
        angle_deg: where the shafts stand.
        vertical: the plane.
        share: best reachable uncertainty as a share of that here.
        best_deg: where it is best.
    """
    plane = "up and down" if vertical else "sideways"
    place = f"parked at {angle_deg:.0f} deg"
    if share >= _GOOD:
        return f"{place}, good for {plane}"
    if share >= FAIR:
        return f"{place}, fair for {plane}; nearer {best_deg:.0f} deg is better"
    return f"{place}, poor for {plane}: park nearer {best_deg:.0f} deg"


def held(shift_mm: float | None, *, vertical: bool, surprised: bool, units: str) -> str:
    """Say what is known of the plane that is not adjusted.

    Args:
        shift_mm: how far it has certainly moved at the coupling; None if nothing says so.
        vertical: the plane that is adjusted.
        surprised: the readings after turning the shafts were not what the pose had made expect.
        units: "mm" or "inch".
    """
    if surprised:
        return "the machine moved while the shafts were turned: turn once more to be sure of the other plane"
    amount = None if shift_mm is None else _amount(shift_mm, units)
    if shift_mm is None or amount is None:
        return ""
    up = f"{amount} {'up' if shift_mm > 0.0 else 'down'}"
    return f"the held plane moved: {horizontal_move(shift_mm, units) if vertical else up}"
