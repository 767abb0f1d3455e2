"""The checklist of a session, and how the job is closed."""

from livealign.advice import readiness
from livealign.config.checklist import Checklist
from livealign.session.events import Command
from livealign.snapshot import Closing, ClosingState, ItemState, ReadinessItem, Verdict
from livealign.units import Units

__all__ = ["Checks"]

_ITEM_STATES: dict[object, ItemState] = {"open": "open", "done": "done", "not applicable": "not applicable"}
_CLOSING_STATES: dict[object, ClosingState] = {"verified": "verified", "not verified": "not verified"}
_EVEN_WHEN_CLOSED = frozenset({"note", "hold", "close_out"})


class Checks:
    """What has been checked off, by whom and when; whether the job is closed."""

    def __init__(self, checklist: Checklist | None, units: Units) -> None:
        """Begin with every item open."""
        self._units: Units = units
        self.items: tuple[ReadinessItem, ...] = tuple(
            ReadinessItem(i.id, i.title, i.text, i.safety, i.limit_mm, i.source)
            for i in (checklist.items if checklist else ())
        )
        self.closed: Closing | None = None

    def objection(self, command: Command, verdict: Verdict | None) -> str | None:
        """Say why a command cannot be obeyed, as far as the checklist and the closing go; None if it can.

        Args:
            command: any.
            verdict: of the last rotation, if nothing was adjusted since.
        """
        if self.closed is not None and command.name not in _EVEN_WHEN_CLOSED:
            return "the job is closed: open it again first"
        if command.name == "check_off":
            return self._check_off_objection(command)
        if command.name == "close_out":
            return self._close_objection(command, verdict)
        return None

    def obey(self, command: Command, now_s: float) -> None:
        """Do what `objection` has nothing against."""
        item_state, closing_state = _ITEM_STATES.get(command.state), _CLOSING_STATES.get(command.state)
        if command.name == "check_off" and item_state is not None:
            self.items = readiness.check_off(
                self.items,
                command.item,
                item_state,
                who=command.who,
                time_s=now_s,
                note=command.text,
                value_mm=command.value_mm,
            )
        elif command.name == "close_out" and not command.on:
            self.closed = None
        elif command.name == "close_out" and closing_state is not None:
            self.closed = readiness.closing(closing_state, command.who, now_s, command.text)

    def _check_off_objection(self, command: Command) -> str | None:
        state = _ITEM_STATES.get(command.state)
        if state is None:
            return "say what the item is: open, done or not applicable"
        return readiness.check_off_objection(
            self.items,
            command.item,
            state,
            who=command.who,
            note=command.text,
            value_mm=command.value_mm,
            units=self._units,
        )

    def _close_objection(self, command: Command, verdict: Verdict | None) -> str | None:
        if not command.on:
            return None if self.closed is not None else "the job is not closed"
        if self.closed is not None:
            return "the job is closed already"
        state = _CLOSING_STATES.get(command.state)
        if state is None:
            return "say as what the job is closed: verified or not verified"
        return readiness.close_objection(
            self.items, state, who=command.who, note=command.text, verdict=verdict
        )
