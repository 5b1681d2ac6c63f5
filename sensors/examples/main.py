# ruff: noqa: INP001 - copied to a board as it is: it is no part of a package there
# pyright: reportMissingImports=false, reportAttributeAccessIssue=false
# The modules of a board are not on this computer, and its `time` has more in it.
"""A probe for a microcontroller that runs MicroPython: one humidity part on I2C, one thermometer on 1-wire.

Copy this file, `probe_logic.py` and your own `probe_settings.py` to the board; the README beside it shows the wiring
and its cautions. It reads once a minute and publishes over MQTT at QoS 1; what it reads while the network is away waits
in its memory and is sent with its own time, once the clock has been set by the network.
"""

import ssl
import time

# These stand on the board alone; the tests put others in their place and say so.
import ds18x20
import machine
import network
import ntptime
import onewire
import probe_settings as settings
from probe_logic import Backoff, Pace, Waiting, checked_ds18b20, decoded_sht3x, message, utc_seconds
from umqtt.simple import MQTTClient, MQTTException

try:  # noqa: SIM105 - a board has no contextlib
    from collections.abc import Callable
except ImportError:  # nor this
    pass

MEASURE_SHT3X = b"\x24\x00"
"""One shot, high repeatability, no clock stretching (SHT3x-DIS datasheet, table 9); ready after 15 ms."""
CLOCK_AGAIN_MS = 6 * 3600 * 1000
"""The board's clock runs off by seconds a day."""


def secured(authority: str) -> "ssl.SSLContext | None":
    """Return what speaks TLS with a broker of that authority and with no other; None without one. Raises OSError."""
    if not authority:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.verify_mode = ssl.CERT_REQUIRED
    with open(authority, "rb") as file:  # noqa: PTH123 - a board has no pathlib
        context.load_verify_locations(cadata=file.read())
    return context


class Probe:
    """The two elements; either may be missing or fail, and the other is read all the same."""

    def __init__(self) -> None:
        clock, data = machine.Pin(settings.SCL), machine.Pin(settings.SDA)
        self._i2c = machine.I2C(settings.I2C, scl=clock, sda=data, freq=100_000)
        self._bus = ds18x20.DS18X20(onewire.OneWire(machine.Pin(settings.ONE_WIRE)))

    def read(self) -> "dict[str, float | None]":
        """Return the values by name; None for what could not be read."""
        temperature, humidity = self._air() or (None, None)
        return {"temperature": temperature, "humidity": humidity, "spot": self._spot()}

    def _air(self) -> "tuple[float, float] | None":
        try:
            self._i2c.writeto(settings.SHT3X, MEASURE_SHT3X)
            time.sleep_ms(20)
            return decoded_sht3x(self._i2c.readfrom(settings.SHT3X, 6))
        except OSError:
            return None

    def _spot(self) -> "float | None":
        try:
            found = self._bus.scan()
            if not found:
                return None
            self._bus.convert_temp()
            time.sleep_ms(750)
            return checked_ds18b20(self._bus.read_temp(found[0]))
        except Exception as exc:  # noqa: BLE001 - onewire raises Exception itself when its check byte is wrong
            print("1-wire:", exc)  # noqa: T201 - a board's only log is its serial line
            return None


class Link:
    """The network, the clock and the broker: asked for again and again, never waited for."""

    def __init__(self) -> None:
        self._wifi = network.WLAN(network.STA_IF)
        self._wifi.active(True)
        self._client = None
        self._backoff = Backoff()
        self._again = time.ticks_ms()
        self._clock_set = None

    def ready(self) -> bool:
        """Say whether the broker can be published to, and try to get there when it is time to."""
        now = time.ticks_ms()
        if self._client is not None and self._wifi.isconnected():
            self._set_clock(now)
            return True
        if time.ticks_diff(now, self._again) < 0:
            return False
        self._again = time.ticks_add(now, self._backoff.failed())
        if not self._wifi.isconnected():
            self._client = None
            self._join()
            return False
        self._set_clock(now)
        if settings.AUTHORITY and self._clock_set is None:
            # A certificate is good from one date to another: without a clock none can be believed.
            return False
        return self._connect()

    def _join(self) -> None:
        try:
            self._wifi.connect(settings.WIFI, settings.WIFI_PASSWORD)
        except OSError as exc:  # some boards say so while they are still trying
            print("network:", exc)  # noqa: T201 - a board's only log is its serial line

    def publish(self, text: str) -> None:
        """Publish at QoS 1: returns when the broker has acknowledged. Raises OSError."""
        if self._client is None:
            raise OSError("the broker is away")
        try:
            self._client.publish(settings.TOPIC, text.encode(), qos=1)
        except OSError:
            self._client = None
            raise

    def _connect(self) -> bool:
        try:
            client = MQTTClient(
                settings.NAME, settings.BROKER, settings.PORT, settings.USER, settings.PASSWORD, keepalive=180,
                ssl=secured(settings.AUTHORITY),
            )  # fmt: skip
            client.connect(clean_session=False)
            # Without this a broker that went away silently would be waited for for ever.
            client.sock.settimeout(10)
        except (OSError, ValueError, MQTTException) as exc:
            print("broker:", exc)  # noqa: T201 - a board's only log is its serial line
            return False
        self._client = client
        self._backoff.worked()
        return True

    def _set_clock(self, now: int) -> None:
        if self._clock_set is not None and time.ticks_diff(now, self._clock_set) < CLOCK_AGAIN_MS:
            return
        try:
            ntptime.settime()
        except (OSError, OverflowError):
            return
        self._clock_set = now


def once(probe: Probe, link: Link, waiting: Waiting, pace: Pace) -> bool:
    """Do what is due now; return whether a reading was taken."""
    due = pace.is_due(time.ticks_ms())
    if due:
        at = utc_seconds(time.time(), time.gmtime(0)[0])
        waiting.add(message(probe.read(), at), at is not None)
    if link.ready():
        waiting.send(link.publish)
    return due


def run(forever: "Callable[[], bool]" = lambda: True) -> None:
    """Read and publish for as long as the board has power."""
    probe, link, waiting = Probe(), Link(), Waiting(settings.MOST_WAITING)
    pace = Pace(settings.EVERY_S * 1000, time.ticks_ms(), time.ticks_diff, time.ticks_add)
    # Should anything hang, the board starts anew; what waited is lost then, a reading a minute is not.
    dog = machine.WDT(timeout=settings.WATCHDOG_MS) if settings.WATCHDOG_MS else None
    while forever():
        once(probe, link, waiting, pace)
        if dog is not None:
            dog.feed()
        time.sleep_ms(200)


if __name__ == "__main__":
    run()
