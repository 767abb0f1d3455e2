"""The daemon that reads a rig, and the API through which screens and clients see it."""
