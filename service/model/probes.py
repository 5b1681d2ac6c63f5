"""Probes, their channels, where those are placed and how they are corrected."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, Column
from sqlmodel import Field, SQLModel

from service.model.base import DatedFact, Instant, Keyed


class Probe(Keyed, table=True):
    """A device that sends readings; for the last three see `sensors.payloads.measurement.Mapping`."""

    model: str
    topic: str = Field(index=True)
    format: str
    every_s: float | None = None
    time_pointer: str | None = None
    each_pointer: str | None = None
    called: str | None = None
    called_at: str | None = None


class Channel(SQLModel, table=True):
    """One quantity that a probe measures; its key is ``probe/quantity``.

    `figures` are the keeper's own of an element that no catalogue lists, see `sensors.catalogue.Figures`.
    """

    id: int | None = Field(default=None, primary_key=True)
    key: str = Field(unique=True, index=True)
    probe_id: int = Field(foreign_key="probe.id", index=True)
    quantity: str
    pointer: str | None = None
    unit: str | None = None
    figures: dict[str, Any] | None = Field(default=None, sa_column=Column(JSON, nullable=True))
    retired_at: datetime | None = Field(default=None, sa_type=Instant)


class Placement(DatedFact, table=True):
    """A channel in a zone of an enclosure, from a time on."""

    channel_id: int = Field(foreign_key="channel.id", index=True)
    enclosure_id: int = Field(foreign_key="enclosure.id", index=True)
    zone: str


class Calibration(DatedFact, table=True):
    """A reference check: what the channel read when the reference stood at a known value.

    `from_at` is from when it corrects readings: the time of the check, where `checked_at` gives no other. One point
    gives an offset, several a line. `reference`, `reads` and `uncertainty` are the first point; `points` are all of
    them, each with how it was made (`service.store.calibrations.Evidence`), and None where those three say it all.
    """

    channel_id: int = Field(foreign_key="channel.id", index=True)
    reference: float
    reads: float
    uncertainty: float
    points: list[dict[str, Any]] | None = Field(default=None, sa_column=Column(JSON(none_as_null=True)))
    checked_at: datetime | None = Field(default=None, sa_type=Instant)
    done_by: str | None = None
    note: str | None = None
