"""Telling the outside: the heartbeat that goes missing when the whole machine is gone."""
