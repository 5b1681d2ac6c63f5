"""The service: from a probe's message to a verdict, an alarm and a page."""
