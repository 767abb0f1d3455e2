"""Simulated machines, sensor heads and devices: a truth that shares no formula with the estimate."""

__all__: list[str] = []
