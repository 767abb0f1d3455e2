"""Two MQTT clients of one id: each that connects throws the other out, for ever unless one gives way."""

__all__ = ["Rivals"]

SOON_S = 60.0
ENOUGH = 3
LONGEST_S = 300.0


class Rivals:
    """Tells from connections that the broker closes soon, one after the other, that another client has the same id."""

    def __init__(self, reconnect_max_s: float) -> None:
        self._reconnect_max_s = reconnect_max_s
        self._thrown_out = 0

    def ended(self, closed_after_s: float | None) -> None:
        """Take note how long after opening the broker closed a connection; None if it did not, or none was open."""
        if closed_after_s is None or closed_after_s > SOON_S:
            self._thrown_out = 0
        else:
            self._thrown_out += 1

    @property
    def are_there(self) -> bool:
        """Is there another client, as far as can be told? A broker that is started again is away for a while."""
        return self._thrown_out >= ENOUGH

    @property
    def pause_s(self) -> float:
        """How long to leave the broker to the other one: ever longer, up to 300 s; 0 if there is none."""
        if not self.are_there:
            return 0.0
        doublings = min(self._thrown_out - ENOUGH + 1, 20)
        return min(self._reconnect_max_s * 2.0**doublings, LONGEST_S)
