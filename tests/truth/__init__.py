"""The simulator's physics and faults as the truth that the watch and the day assessment are held against."""
