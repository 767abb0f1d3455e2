"""Which Bluetooth LE device is wanted, and which others are near; knows no Bluetooth library."""

import re
from collections.abc import Collection
from dataclasses import dataclass

__all__ = ["Nearby", "Wanted", "full_uuid"]

BASE_UUID = "0000{}-0000-1000-8000-00805f9b34fb"
MOST_SEEN = 200
MOST_TOLD = 8


def full_uuid(given: str) -> str:
    """Return a UUID of 4 hexadecimal digits, or of 32 in their groups, in full and in lower case.

    Raises:
        ValueError: if it is neither.
    """
    uuid = given.strip().lower()
    if re.fullmatch("[0-9a-f]{4}", uuid):
        return BASE_UUID.format(uuid)
    if re.fullmatch("[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", uuid):
        return uuid
    raise ValueError("must be a UUID, such as ffe0 or 6e400001-b5a3-f393-e0a9-e50e24dcca9e")


@dataclass(frozen=True, slots=True)
class Wanted:
    """A device by its address, else by its name, else by a service it advertises: the first given decides.

    Few devices have room for name and service in one advertisement, so not everything given is asked for.
    """

    address: str | None
    name: str | None
    service: str | None

    def fits(self, address: str, name: str | None, services: Collection[str]) -> bool:
        """Say whether a device is the one."""
        if self.address is not None:
            return address.upper() == self.address.upper()
        if self.name is not None:
            return name == self.name
        return self.service in services

    def __str__(self) -> str:
        if self.address is not None:
            return f"device with the address {self.address}"
        if self.name is not None:
            return f"device named {self.name!r}"
        return f"device with the service {self.service}"


class Nearby:
    """Who was heard while scanning, for the person who wonders why the wanted device was not."""

    def __init__(self) -> None:
        self._seen: dict[str, tuple[int, str]] = {}

    def saw(self, address: str, name: str | None, strength_dbm: int) -> None:
        """Note a device; the first 200 are kept."""
        if address in self._seen or len(self._seen) < MOST_SEEN:
            self._seen[address] = (strength_dbm, name or "")

    def words(self) -> str:
        """Return their names, the strongest first."""
        strongest = sorted(self._seen.values(), reverse=True)
        names = list(dict.fromkeys(name for _, name in strongest if name))
        told = [repr(name) for name in names[:MOST_TOLD]]
        if more := len(names) - len(told):
            told.append(f"{more} more")
        if nameless := sum(not name for _, name in strongest):
            told.append(f"{nameless} without a name")
        return f"Seen nearby: {', '.join(told)}" if told else "Nothing at all was seen nearby"
