"""From bytes to calibrated, time-stamped readings."""
