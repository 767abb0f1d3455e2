"""The course of one job: events in, snapshots out; no clock and no I/O."""
