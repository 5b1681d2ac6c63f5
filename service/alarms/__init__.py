"""The alarm life cycle and its delays, pure, and its record."""
