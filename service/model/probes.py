"""Probes, their channels, where those are placed and how they are corrected."""

from datetime import datetime

from sqlmodel import Field, SQLModel

from service.model.base import DatedFact, Instant, Keyed


class Probe(Keyed, table=True):
    """A device that sends readings."""

    model: str
    topic: str = Field(index=True)
    format: str
    every_s: float | None = None
    time_pointer: str | None = None


class Channel(SQLModel, table=True):
    """One quantity that a probe measures; its key is ``probe/quantity``."""

    id: int | None = Field(default=None, primary_key=True)
    key: str = Field(unique=True, index=True)
    probe_id: int = Field(foreign_key="probe.id", index=True)
    quantity: str
    pointer: str | None = None
    unit: str | None = None
    retired_at: datetime | None = Field(default=None, sa_type=Instant)


class Placement(DatedFact, table=True):
    """A channel in a zone of an enclosure, from a time on."""

    channel_id: int = Field(foreign_key="channel.id", index=True)
    enclosure_id: int = Field(foreign_key="enclosure.id", index=True)
    zone: str


class Calibration(DatedFact, table=True):
    """A reference check: what the channel read when the reference stood at a known value.

    `from_at` is the time of the check. One check gives an offset.
    """

    channel_id: int = Field(foreign_key="channel.id", index=True)
    reference: float
    reads: float
    uncertainty: float
