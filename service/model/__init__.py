"""The tables, one file a subject."""

from service.model.alarms import Alarm, AlarmHold, AlarmTransition, EnclosureWatchState, RoomWatchState, WatchState
from service.model.animals import (
    Animal,
    Clutch,
    ClutchPlace,
    ClutchRecord,
    Housing,
    JournalEntry,
    LagWindow,
    VerdictChange,
)
from service.model.assessments import AssessmentDay, ChannelDay
from service.model.base import DatedFact, Instant, Keyed, from_ms, table_of, to_ms
from service.model.blocks import PinnedSpan, ReadingBlock
from service.model.care import CareDone, CareTask, Equipment
from service.model.changes import Change
from service.model.people import ApiToken, Contact, Escalation, Person, PersonSession, SignInTry
from service.model.probes import Calibration, Channel, Placement, Probe
from service.model.processes import ProcessReport
from service.model.profiles import Profile, ProfileAssignment, ProfileVersion, TargetOverride
from service.model.readings import (
    RELIVED_MS,
    SETTLE_MS,
    TURN_BITS,
    ChannelState,
    Counter,
    Flag,
    Reading,
    Receipt,
    RefusedMessage,
    RefusedTopic,
)
from service.model.rooms import ZONES, Enclosure, LightSchedule, MistingSchedule, Room, Site
from service.model.telling import Delivery, DeliveryItem, RouteState, Telling
from service.model.unclaimed import UnclaimedMessage, UnclaimedSource

__all__ = [
    "RELIVED_MS",
    "SETTLE_MS",
    "TURN_BITS",
    "ZONES",
    "Alarm",
    "AlarmHold",
    "AlarmTransition",
    "Animal",
    "ApiToken",
    "AssessmentDay",
    "Calibration",
    "CareDone",
    "CareTask",
    "Change",
    "Channel",
    "ChannelDay",
    "ChannelState",
    "Clutch",
    "ClutchPlace",
    "ClutchRecord",
    "Contact",
    "Counter",
    "DatedFact",
    "Delivery",
    "DeliveryItem",
    "Enclosure",
    "EnclosureWatchState",
    "Equipment",
    "Escalation",
    "Flag",
    "Housing",
    "Instant",
    "JournalEntry",
    "Keyed",
    "LagWindow",
    "LightSchedule",
    "MistingSchedule",
    "Person",
    "PersonSession",
    "PinnedSpan",
    "Placement",
    "Probe",
    "ProcessReport",
    "Profile",
    "ProfileAssignment",
    "ProfileVersion",
    "Reading",
    "ReadingBlock",
    "Receipt",
    "RefusedMessage",
    "RefusedTopic",
    "Room",
    "RoomWatchState",
    "RouteState",
    "SignInTry",
    "Site",
    "TargetOverride",
    "Telling",
    "UnclaimedMessage",
    "UnclaimedSource",
    "VerdictChange",
    "WatchState",
    "from_ms",
    "table_of",
    "to_ms",
]
