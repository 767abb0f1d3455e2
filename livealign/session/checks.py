"""The checklist of a session, and how the job is closed."""

from livealign.advice import readiness
from livealign.config.checklist import Checklist
from livealign.session.events import Command
from livealign.snapshot import Closing, ReadinessItem, Verdict
from livealign.units import Units

__all__ = ["Checks"]

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
        if command.name == "check_off" and command.state in {"open", "done", "not applicable"}:
            self.items = readiness.check_off(
                self.items,
                command.item,
                command.state,
                who=command.who,
                time_s=now_s,
                note=command.text,
                value_mm=command.value_mm,
            )
        elif command.name == "close_out" and not command.on:
            self.closed = None
        elif command.name == "close_out" and command.state in {"verified", "not verified"}:
            self.closed = readiness.closing(command.state, command.who, now_s, command.text)

    def _check_off_objection(self, command: Command) -> str | None:
        if command.state not in {"open", "done", "not applicable"}:
            return "say what the item is: open, done or not applicable"
        return readiness.check_off_objection(
            self.items,
            command.item,
            command.state,
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
        if command.state not in {"verified", "not verified"}:
            return "say as what the job is closed: verified or not verified"
        return readiness.close_objection(
            self.items, command.state, who=command.who, note=command.text, verdict=verdict
        )
