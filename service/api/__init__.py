"""The HTTP interface: parse, call, answer."""
