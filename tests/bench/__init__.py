"""The performance figures, each measured beside its bare limit in the same run: ``python -m tests.bench``."""
