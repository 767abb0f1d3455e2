"""The report of a session: what was found, done and left, in one file that prints."""
