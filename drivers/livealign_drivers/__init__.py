"""The drivers and formats that come with livealign; found by entry point and imported when used."""
