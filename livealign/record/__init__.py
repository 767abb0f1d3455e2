"""Recordings: every event and every snapshot of a session in one open-format file."""
