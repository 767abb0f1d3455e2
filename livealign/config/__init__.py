"""The two files a person writes: the job (machines, distances, tolerance) and the rig (links, heads, detectors)."""
