"""A physical room: heat and water balance, equipment, probes and their faults."""
