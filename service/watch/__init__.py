"""New readings -> climate checks -> alarm conditions, live and in replay by the same code."""
