"""What probes are and say. Imports nothing of the service or the dashboard."""
