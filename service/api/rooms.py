"""Rooms and enclosures: what there is, how it stands now, and its readings over a span."""

from bisect import bisect_right
from datetime import datetime, timedelta
from typing import Annotated, Any, Final

import orjson
from fastapi import APIRouter, Query, Response

from service.api.addresses import PREFIX
from service.api.answers import (
    EnclosureDetail,
    EnclosuresAnswer,
    NowAnswer,
    PlacementAnswer,
    RoomAnswer,
    RoomsAnswer,
    SeriesAnswer,
    alarm_answer,
    enclosure_answer,
    now_answer,
    written,
)
from service.api.problems import documented
from service.api.requests import (
    MOST_POINTS,
    IsoInstant,
    KeyCursor,
    PageSize,
    PartsDep,
    QuantityName,
    ZoneName,
    enclosure_named,
)
from service.api.standing import standing
from service.api.zone_values import unit_of
from service.climate.day_cycle import local_day
from service.errors import BadUse
from service.model import from_ms, to_ms
from service.store.facts import PlacementFact, RoomFacts
from service.store.history import FEWEST_POINTS, ChannelSeries, chart_series, placements_in
from service.store.readings import END_OF_TIME

LONGEST_SPAN: Final = timedelta(days=1_100)
"""Three years: what one answer may read."""

router = APIRouter(prefix=PREFIX, tags=["room"])


@router.get("/rooms", responses=documented(422, 503))
def list_rooms(parts: PartsDep, cursor: KeyCursor = None, limit: PageSize = 100) -> RoomsAnswer:
    """Return the rooms in order of their ids."""
    with parts.store.read() as session:
        facts = parts.facts(session)
    rooms = {room.key: room for room in facts.rooms}
    page, following = _page(sorted(rooms), cursor, limit)
    return RoomsAnswer(rooms=[RoomAnswer(id=key, name=rooms[key].name) for key in page], next=following)


@router.get("/enclosures", responses=documented(422, 503))
def list_enclosures(parts: PartsDep, cursor: KeyCursor = None, limit: PageSize = 200) -> EnclosuresAnswer:
    """Return the enclosures in order of their ids."""
    with parts.store.read() as session:
        facts = parts.facts(session)
    page, following = _page(sorted(facts.by_key), cursor, limit)
    now_ms = to_ms(parts.now())
    return EnclosuresAnswer(enclosures=[enclosure_answer(facts.by_key[key], now_ms) for key in page], next=following)


def _page(keys: list[str], cursor: str | None, limit: int) -> tuple[list[str], str | None]:
    """Return the keys after a cursor, and the next cursor when more follow."""
    first = 0 if cursor is None else bisect_right(keys, cursor)
    page = keys[first : first + limit]
    return page, page[-1] if first + limit < len(keys) else None


@router.get("/enclosures/{enclosure_id}", responses=documented(404, 503))
def get_enclosure(parts: PartsDep, enclosure_id: str) -> EnclosureDetail:
    """Return an enclosure with its placements, past ones too."""
    with parts.store.read() as session:
        facts = parts.facts(session)
    enclosure = enclosure_named(facts, enclosure_id)
    plain = enclosure_answer(enclosure, to_ms(parts.now()))
    placements = [_placement(facts, placement) for placement in enclosure.placements]
    return EnclosureDetail(**dict(plain), placements=placements)


def _placement(facts: RoomFacts, placement: PlacementFact) -> PlacementAnswer:
    channel = facts.channels[placement.channel_id]
    return PlacementAnswer(
        channel=channel.key,
        quantity=channel.quantity,
        unit=unit_of(channel.quantity),
        zone=placement.zone,
        from_=from_ms(placement.start_ms),
        until=None if placement.end_ms == END_OF_TIME else from_ms(placement.end_ms),
    )


@router.get("/enclosures/{enclosure_id}/now", responses=documented(404, 503))
def get_now(parts: PartsDep, enclosure_id: str) -> NowAnswer:
    """Return how an enclosure stands now."""
    now = parts.now()
    with parts.store.read() as session:
        facts = parts.facts(session)
        enclosure = enclosure_named(facts, enclosure_id)
        stands = standing(session, facts, now, parts.rhythms, [enclosure])[enclosure.id]
        channels = {channel.id: channel.key for channel in facts.channels.values()}
        alarms = [alarm_answer(alarm, {enclosure.id: enclosure.key}, channels) for alarm in stands.alarms]
    return now_answer(stands, alarms, now)


@router.get(
    "/enclosures/{enclosure_id}/series",
    response_model=SeriesAnswer,
    responses=documented(404, 422, 503),
)
def get_series(
    parts: PartsDep,
    enclosure_id: str,
    zone: Annotated[ZoneName | None, Query(description="All zones by default.")] = None,
    quantity: Annotated[QuantityName | None, Query(description="All quantities by default.")] = None,
    from_: Annotated[
        IsoInstant | None, Query(alias="from", description="By default the site's local midnight.")
    ] = None,
    to: Annotated[IsoInstant | None, Query(description="By default the end of the site's local day.")] = None,
    points: Annotated[int, Query(ge=FEWEST_POINTS, le=MOST_POINTS, description="About so many a channel.")] = 2_000,
) -> Response:
    """Return readings for charts: thinned out so that no spike is lost, with gaps kept as breaks."""
    now = parts.now()
    with parts.store.read() as session:
        facts = parts.facts(session)
        enclosure = enclosure_named(facts, enclosure_id)
        start, end = _span(facts, now, from_, to)
        # What lies ahead is no gap.
        known_end = max(start + 1, min(end, to_ms(now)))
        placements = placements_in(facts, enclosure, start, known_end, zone, quantity)
        series = chart_series(session, facts, placements, start, known_end, points)
    body = {
        "enclosure": enclosure.key,
        "from": written(from_ms(start)),
        "to": written(from_ms(end)),
        "time_zone": facts.timezone,
        "series": [_series(one) for one in series],
    }
    return Response(orjson.dumps(body, option=orjson.OPT_SERIALIZE_NUMPY), media_type="application/json")


def _span(facts: RoomFacts, now: datetime, first: datetime | None, last: datetime | None) -> tuple[int, int]:
    """Return the span that is asked for, by default the local day."""
    day = local_day(now.astimezone(facts.zone).date(), facts.zone)
    start = day[0] if first is None else to_ms(first)
    end = day[1] if last is None else to_ms(last)
    if start >= end:
        raise BadUse(f"from is {written(from_ms(start))}, expected before to, which is {written(from_ms(end))}")
    if end - start > LONGEST_SPAN // timedelta(milliseconds=1):
        raise BadUse(f"from and to are more than {LONGEST_SPAN.days} days apart; ask for shorter spans, one by one")
    return start, end


def _series(one: ChannelSeries) -> dict[str, Any]:
    return {
        "channel": one.channel.key,
        "zone": one.zone,
        "quantity": one.channel.quantity,
        "unit": unit_of(one.channel.quantity),
        "cadence_ms": one.cadence_ms,
        "readings": one.readings,
        "at_ms": one.at,
        "value": one.value,
        "flags": one.flags,
        "gaps": [{"from": int(start), "to": int(end)} for start, end in one.gaps],
    }
