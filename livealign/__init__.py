"""Shaft alignment from live sensors."""

__version__ = "0.1.0"
