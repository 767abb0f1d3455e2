"""Errors that are meant for the person who sees them."""

__all__ = ["PersonError"]


class PersonError(Exception):
    """Something the person can mend: what happened, where, and what to do about it."""

    def __init__(self, what: str, *, where: str = "", advice: str = "", exit_code: int = 1) -> None:
        self.what = what
        self.where = where
        self.advice = advice
        self.exit_code = exit_code
        super().__init__(str(self))

    def __str__(self) -> str:
        head = f"{self.where}: {self.what}" if self.where else self.what
        return f"{head}\n  {self.advice}" if self.advice else head
