"""Hypothesis: the same examples every time, and nothing depends on how fast a machine is."""

from hypothesis import settings

settings.register_profile("benchrig", deadline=None, derandomize=True, database=None)
settings.load_profile("benchrig")
