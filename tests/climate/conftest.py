"""Timing is never asserted: a slow machine must not fail a property."""

from hypothesis import settings

settings.register_profile("without deadline", deadline=None)
settings.load_profile("without deadline")
