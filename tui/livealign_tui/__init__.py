"""The dashboard in a terminal: a client of the service's API, and nothing else."""
