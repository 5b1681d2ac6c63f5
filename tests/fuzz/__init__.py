"""Payloads that nobody would write, guided by coverage: ``python -m tests.fuzz [seconds]``."""
