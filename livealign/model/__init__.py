"""The measurement core: readings in, poses with their uncertainty out. Pure, in metres and radians."""
