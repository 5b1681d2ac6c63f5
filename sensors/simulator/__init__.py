"""A physical room: heat and water balance, equipment, probes and their faults.

`SimulatedRoom` runs a `Scene`: `history` gives truth and readings day by day, `publish_live` goes on from there over
real MQTT. `glasshouse` is an invented room to show, `random_scene` makes rooms to test with.
"""

from sensors.simulator.encode import mapping_of, payload_of
from sensors.simulator.engine import SimulatedTimeError, Simulator
from sensors.simulator.glasshouse import glasshouse
from sensors.simulator.keepings import KEEPINGS, Keeping
from sensors.simulator.random_scene import random_scene
from sensors.simulator.room import Message, SimulatedRoom, messages_of
from sensors.simulator.roomfile import room_toml
from sensors.simulator.sampling import ChannelReadings, ProbeReadings, Sampler, by_channel
from sensors.simulator.scene import (
    Animal,
    Box,
    Channel,
    Enclosure,
    Equipment,
    Fault,
    Fitting,
    HandMisting,
    MistingTime,
    Probe,
    RoomClimate,
    Scene,
    Stay,
)
from sensors.simulator.schedules import MistCycle
from sensors.simulator.truth import Ledger, Truth

__all__ = [
    "KEEPINGS",
    "Animal",
    "Box",
    "Channel",
    "ChannelReadings",
    "Enclosure",
    "Equipment",
    "Fault",
    "Fitting",
    "HandMisting",
    "Keeping",
    "Ledger",
    "Message",
    "MistCycle",
    "MistingTime",
    "Probe",
    "ProbeReadings",
    "RoomClimate",
    "Sampler",
    "Scene",
    "SimulatedRoom",
    "SimulatedTimeError",
    "Simulator",
    "Stay",
    "Truth",
    "by_channel",
    "glasshouse",
    "mapping_of",
    "messages_of",
    "payload_of",
    "random_scene",
    "room_toml",
]
