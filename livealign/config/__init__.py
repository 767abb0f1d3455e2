"""The two files a person writes: the job (machines, distances, tolerance), the rig (links, heads)."""
