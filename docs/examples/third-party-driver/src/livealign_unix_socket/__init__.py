"""A driver and a format that are found by entry point."""
