"""The climate checks: arrays in, verdicts out. Pure: no clock, no I/O, no model imports."""
