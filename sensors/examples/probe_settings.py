# ruff: noqa: INP001 - copied to a board as it is: it is no part of a package there
"""Your own: what the probe is called, where it publishes, and which pins its elements hang on."""

NAME = "a3-top"
TOPIC = b"probes/a3-top"
WIFI = "name of your network"
WIFI_PASSWORD = "its password"  # noqa: S105 - an example: each board has its own
BROKER = "192.0.2.10"
"""With TLS, the name that stands in the broker's certificate."""
PORT = 1883
"""8883 with TLS."""
AUTHORITY = ""
"""The file on the board with the certificate of the broker's authority, in DER; empty without TLS."""
USER = "a3-top"
PASSWORD = "of this probe at the broker"  # noqa: S105 - an example: each board has its own
EVERY_S = 60
MOST_WAITING = 500
"""A reading takes some 100 bytes of the board's memory: at one a minute, 500 are eight hours."""
WATCHDOG_MS = 0
"""0 while you try things out; some boards take 8,000 at most."""
I2C = 0
SCL = 22
SDA = 21
SHT3X = 0x44
"""0x45 where the part's ADDR pin is tied high."""
ONE_WIRE = 4
