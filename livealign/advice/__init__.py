"""From a pose to what a person does about it: corrections, gap, verdict, words. Pure."""
