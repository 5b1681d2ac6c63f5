# ruff: noqa: ANN001, ANN201, ANN202, ANN204, ARG002, RUF012, T201, TRY002 - it stands in for a board's modules as they
# are, without types and with what they are given unused, raises what they raise, and prints what came of it.
"""The example's own code on a made board: a day of faults on a clock that the scenario turns.

Every hardware module is put in its place here: nothing of a real board is tried. Prints what the broker got.
"""

import sys

STARTED = 1_772_323_200  # 2026-03-01T00:00:00Z


class Module:
    """Stands for a module."""


class World:
    """What the made board sees."""

    ms = 0
    wifi = broker = True
    clock_set = False
    time_server = True
    sht = (26000, 40000)
    sht_spoilt = False
    spot = 31.25
    scans = 1
    got = []
    connects = []
    tls = []


def crc(data):
    value = 0xFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = ((value << 1) ^ 0x31) & 0xFF if value & 0x80 else (value << 1) & 0xFF
    return value


# time


def ticks_add(at, more):
    return at + more


clock = Module()
clock.ticks_ms = lambda: World.ms
clock.ticks_add = ticks_add
clock.ticks_diff = lambda a, b: a - b
clock.time = lambda: STARTED + World.ms // 1000 if World.clock_set else World.ms // 1000


def sleep_ms(ms):
    World.ms += ms


clock.sleep_ms = sleep_ms


def gmtime(seconds):
    return (1970, 1, 1, 0, 0, 0, 3, 1)


clock.gmtime = gmtime


# machine, onewire, ds18x20, network, ntptime


class I2C:
    def __init__(self, number, scl, sda, freq):
        self.asked = None

    def writeto(self, address, data):
        if World.sht is None:
            raise OSError("no answer")
        self.asked = (address, data)

    def readfrom(self, address, count):
        warm, wet = (bytes((value >> 8, value & 0xFF)) for value in World.sht)
        spoil = 1 if World.sht_spoilt else 0
        return warm + bytes((crc(warm) ^ spoil,)) + wet + bytes((crc(wet),))


machine = Module()
machine.I2C = I2C
machine.Pin = lambda number: number
machine.WDT = None
onewire = Module()
onewire.OneWire = lambda pin: pin


class DS18X20:
    def __init__(self, bus):
        self.bus = bus

    def scan(self):
        return [b"\x28"] * World.scans

    def convert_temp(self):
        pass

    def read_temp(self, rom):
        if World.spot == "spoilt":
            raise Exception("CRC error")  # as the board's own driver does
        return World.spot


ds18x20 = Module()
ds18x20.DS18X20 = DS18X20


class WLAN:
    def __init__(self, kind):
        pass

    def active(self, on):
        pass

    def isconnected(self):
        return World.wifi

    def connect(self, name, password):
        World.connects.append(World.ms)


network = Module()
network.STA_IF = 0
network.WLAN = WLAN
ntptime = Module()


def settime():
    if not World.wifi or not World.time_server:
        raise OSError("no answer")
    World.clock_set = True


ntptime.settime = settime


# umqtt.simple


class MQTTException(Exception):
    pass


class Socket:
    def settimeout(self, seconds):
        pass


class MQTTClient:
    def __init__(self, name, host, port, user, password, keepalive, ssl):
        World.tls.append(ssl)
        self.sock = Socket()

    def connect(self, clean_session):
        if not World.broker:
            raise OSError("refused")

    def publish(self, topic, payload, qos):
        assert qos == 1
        if not World.broker:
            raise OSError("gone")
        World.got.append((topic.decode(), payload.decode()))


simple = Module()
simple.MQTTClient, simple.MQTTException = MQTTClient, MQTTException
umqtt = Module()
umqtt.simple = simple

for name, module in {
    "time": clock, "machine": machine, "onewire": onewire, "ds18x20": ds18x20, "network": network,
    "ntptime": ntptime, "umqtt": umqtt, "umqtt.simple": simple,
}.items():  # fmt: skip
    sys.modules[name] = module
sys.path.insert(0, sys.argv[1])

import main  # noqa: E402 - after the modules that it asks for
import probe_settings  # noqa: E402 - likewise

MINUTE = 60_000


def live(until_minute):
    """Let the board run until a minute of the scenario."""
    main_run(lambda: until_minute * MINUTE > World.ms)


def starting_once():
    """Return `main.run` with its parts kept from one call to the next, as a board keeps them."""
    probe, link, waiting = main.Probe(), main.Link(), main.Waiting(probe_settings.MOST_WAITING)
    pace = main.Pace(probe_settings.EVERY_S * 1000, 0, clock.ticks_diff, clock.ticks_add)

    def run(forever):
        while forever():
            main.once(probe, link, waiting, pace)
            clock.sleep_ms(200)

    return run, waiting


main_run, waiting = starting_once()


def told(what):
    print(what, [payload for _, payload in World.got], len(waiting))
    World.got.clear()


live(3)
told("steady")
World.broker = False
live(6)
World.wifi = False
live(8)
told("away")
World.wifi = World.broker = True
live(10)
told("back")
World.sht_spoilt, World.spot = True, 85.0
live(11)
told("nothing")
World.sht_spoilt, World.spot = False, "spoilt"
live(12)
told("air alone")
World.sht, World.spot = None, -12.5
live(13)
told("spot alone")
World.scans = 0
live(14)
told("none")
World.clock_set, World.wifi, World.scans = False, False, 1
live(17)
told("no clock")
World.wifi = True
live(18)
told("clock again")
probe_settings.WATCHDOG_MS = 0
stop = World.ms + 1000
main.run(lambda: stop > World.ms)
told("from the start")
probe_settings.AUTHORITY, World.clock_set = sys.argv[2], False
World.time_server = False
stop = World.ms + 60_000
main.run(lambda: stop > World.ms)
told("no clock for TLS")
World.tls.clear()
World.time_server = True
stop = World.ms + 60_000
main.run(lambda: stop > World.ms)
told("TLS")
known = World.tls[-1].get_ca_certs() if hasattr(World.tls[-1], "get_ca_certs") else [None]
print("must know", World.tls[-1].verify_mode == main.ssl.CERT_REQUIRED, "of", len(known))
print("by", sys.implementation.name)
