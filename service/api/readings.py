"""Readings by HTTP, for probes without MQTT."""

from typing import Annotated, Final

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from service.api.addresses import PREFIX
from service.api.answers import RefusedAnswer, TakenAnswer
from service.api.parts import PostedReading
from service.api.problems import documented
from service.api.requests import IsoInstant, PartsDep
from service.model import to_ms

LARGEST_BATCH: Final = 5_000
_KEY: Final = Field(min_length=1, max_length=64)

router = APIRouter(prefix=PREFIX, tags=["readings"])


class ReadingIn(BaseModel):
    """One reading with the probe's own time: that is what makes sending it twice harmless."""

    model_config = ConfigDict(extra="forbid")

    probe: Annotated[str, _KEY]
    quantity: Annotated[str, _KEY]
    value: Annotated[FiniteFloat, Field(strict=True, description="[unit]")]
    at: IsoInstant
    unit: Annotated[str | None, Field(max_length=16, description="By default the quantity's own.")] = None


class ReadingsIn(BaseModel):
    """A batch of readings."""

    model_config = ConfigDict(extra="forbid")

    readings: Annotated[list[ReadingIn], Field(max_length=LARGEST_BATCH)]


@router.post("/readings", responses=documented(400, 413, 422, 503))
def post_readings(parts: PartsDep, batch: ReadingsIn) -> TakenAnswer:
    """Store readings. When it answers they are on the disk; what was stored before is counted as repeated.

    Each reading that cannot be taken is named with its reason, and the others are stored.
    """
    taken = parts.take_readings(
        [PostedReading(one.probe, one.quantity, one.value, to_ms(one.at), one.unit) for one in batch.readings]
    )
    return TakenAnswer(
        stored=taken.stored,
        repeated=taken.repeated,
        refused=[RefusedAnswer(index=index, reason=reason) for index, reason in taken.refused],
    )
