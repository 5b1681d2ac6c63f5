"""A reference point from a probe's own stored readings: whether it has settled, what it reads, and what it should."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from sqlmodel import Session

from sensors.catalogue import repeat_uncertainty
from service.climate.calibration import Settling, point_uncertainty, settling_of
from service.climate.ranges import MINUTE_MS, OutOfRangeError
from service.climate.reference_points import (
    LEAST_WAIT_MINUTES,
    QUANTITIES_OF,
    SALTS,
    Expected,
    Method,
    beside,
    ice_point,
    salt_check,
)
from service.errors import BadUse
from service.model import Flag, from_ms
from service.store.facts import ChannelFact, RoomFacts
from service.store.history import corrected
from service.store.readings import read_readings
from service.store.reference_checks import point_json
from service.store.traceability import element_of, errors_within

TEMPERATURE_STEADY_WITHIN: Final = 0.5
"""While it moves by more over a salt, the air there is in no equilibrium (common practice, no source) [°C]."""
_DECIMALS: Final = 4
STATED_TEMPERATURE_UNCERTAINTY: Final = 1.0
"""U, k = 2, of a temperature that someone read off (common practice, no source) [°C]."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A reference point that someone makes.

    Attributes
    ----------
    method : Method
    until_ms : int
        The end of the window whose readings are averaged. [ms, UTC]
    window_ms : int
        Its length. [ms]
    since_ms : int or None
        When the probe was put in. [ms, UTC]
    against : str or None
        The salt's formula; the reference instrument, or the certificate, in words.
    reference, reference_uncertainty : float or None
        What the instrument showed, and its U, k = 2. [the channel's unit]
    temperature : float or None
        Over the salt, where the probe has no thermometer of its own. [°C]
    reads : float or None
        What the channel read, of a certificate alone. [unit]
    """

    method: Method
    until_ms: int
    window_ms: int
    since_ms: int | None = None
    against: str | None = None
    reference: float | None = None
    reference_uncertainty: float | None = None
    temperature: float | None = None
    reads: float | None = None


@dataclass(frozen=True, slots=True)
class Found:
    """What stands of a reference point so far.

    Attributes
    ----------
    settling : Settling or None
        None of a certificate.
    expected : Expected or None
        None where that cannot be said.
    temperature : float or None
        Over the salt. [°C]
    point : dict or None
        The point, ready to be stored; None while it cannot be taken.
    why_not : str or None
        Why not, in a sentence.
    is_waiting : bool
        Whether waiting is all that it takes.
    """

    settling: Settling | None = None
    expected: Expected | None = None
    temperature: float | None = None
    point: dict[str, Any] | None = None
    why_not: str | None = None
    is_waiting: bool = False


def look_at(session: Session, facts: RoomFacts, channel: ChannelFact, asked: Asked) -> Found:
    """Return what stands of a reference point: its figures, or why they cannot be taken.

    Parameters
    ----------
    session : Session
    facts : RoomFacts
    channel : ChannelFact
        That is checked; its readings are taken as the probe said them.
    asked : Asked

    Raises
    ------
    BadUse
        The method is none for that quantity, or the salt is unknown.
    """
    if channel.quantity not in QUANTITIES_OF[asked.method]:
        raise BadUse(f"method: {asked.method} is no check of {channel.quantity}; it is one of {_checks(asked.method)}")
    if asked.method == Method.CERTIFICATE:
        return _certificate(channel, asked)
    settling = settling_in(session, channel, asked.until_ms, asked.window_ms)
    expected, temperature, why = _expected(session, facts, channel, asked)
    if expected is None or why is not None:
        waiting = why is not None and expected is not None
        return Found(settling, expected, temperature, why_not=why, is_waiting=waiting)
    why = _why_too_early(asked) or (settling.waiting and f"still settling: {settling.waiting}")
    if why:
        return Found(settling, expected, temperature, why_not=why, is_waiting=asked.since_ms is not None)
    return Found(settling, expected, temperature, _point(channel, asked, settling, expected, temperature))


def settling_in(session: Session, channel: ChannelFact, end_ms: int, window_ms: int) -> Settling:
    """Return how the stored readings of a window stand: as the probe said them, without those that are unfit."""
    stored = read_readings(session, channel.id, end_ms - window_ms, end_ms + 1)
    value = np.where(stored.flags & int(Flag.unfit()), np.nan, stored.value)
    resolution = element_of(channel.model, channel.quantity).resolution
    return settling_of(channel.quantity, stored.at, value, end_ms, window_ms, resolution)


def _checks(method: Method) -> str:
    return ", ".join(sorted(QUANTITIES_OF[method]))


def _certificate(channel: ChannelFact, asked: Asked) -> Found:
    if asked.reference is None or asked.reads is None:
        return Found(why_not="a certificate's point has both: what the reference stood at, and what the probe read")
    if asked.reference_uncertainty is None or asked.reference_uncertainty <= 0:
        return Found(why_not=_NO_UNCERTAINTY)
    expected = Expected(asked.reference, asked.reference_uncertainty)
    element = element_of(channel.model, channel.quantity)
    known = point_uncertainty(expected.uncertainty, 0.0, element.resolution, repeat_uncertainty(element))
    point = point_json(
        reference=asked.reference, reads=asked.reads, uncertainty=round(known, _DECIMALS), method=str(asked.method),
        against=asked.against, reference_uncertainty=expected.uncertainty,
    )  # fmt: skip
    return Found(expected=expected, point=point)


_NO_UNCERTAINTY: Final = (
    "the uncertainty of the reference is missing: without it nothing can be said of the probe; it stands in the "
    "reference's certificate or data sheet"
)


def _expected(
    session: Session, facts: RoomFacts, channel: ChannelFact, asked: Asked
) -> tuple[Expected | None, float | None, str | None]:
    """Return what the reference stands at, the temperature over a salt, and what is in the way."""
    if asked.method == Method.ICE_POINT:
        return ice_point(), None, None
    if asked.method == Method.SIDE_BY_SIDE:
        return _beside(channel, asked)
    return _over_salt(session, facts, channel, asked)


def _beside(channel: ChannelFact, asked: Asked) -> tuple[Expected | None, float | None, str | None]:
    if asked.reference is None:
        return None, None, "what the reference instrument shows is missing"
    if asked.reference_uncertainty is None or asked.reference_uncertainty <= 0:
        return None, None, _NO_UNCERTAINTY
    return beside(channel.quantity, asked.reference, asked.reference_uncertainty), None, None


def _over_salt(
    session: Session, facts: RoomFacts, channel: ChannelFact, asked: Asked
) -> tuple[Expected | None, float | None, str | None]:
    salt = SALTS.get(asked.against or "")
    if salt is None:
        raise BadUse(f"against: the salt is one of {', '.join(SALTS)}")
    warm = _warmth(session, facts, channel, asked)
    if isinstance(warm, str):
        return None, None, warm
    temperature, uncertainty, moving = warm
    try:
        return salt_check(salt.key, temperature, uncertainty), temperature, moving
    except OutOfRangeError as exc:
        return None, temperature, str(exc)


def _warmth(
    session: Session, facts: RoomFacts, channel: ChannelFact, asked: Asked
) -> tuple[float, float, str | None] | str:
    """Return the temperature over a salt, its uncertainty and whether it moves; or why there is none."""
    if asked.temperature is not None:
        return asked.temperature, STATED_TEMPERATURE_UNCERTAINTY, None
    own = facts.channel_by_key.get(f"{channel.probe}/air_temperature")
    if own is None:
        return "the temperature over the salt is missing: the probe has no thermometer, so read one off beside it"
    start, end = asked.until_ms - asked.window_ms, asked.until_ms + 1
    stored = corrected(own, read_readings(session, own.id, start, end))
    fit = (stored.flags & int(Flag.unfit())) == 0
    if not fit.any():
        return "the probe's thermometer says nothing: give the temperature over the salt, read off beside it"
    values = stored.value[fit]
    moved = float(values.max() - values.min())
    uncertainty = errors_within(own, start, end).uncertainty
    steady = TEMPERATURE_STEADY_WITHIN
    moving = (
        f"still settling: the temperature over the salt moved by {moved:.1f} °C in that time; {steady:g} is allowed"
    )
    return float(values.mean()), uncertainty, moving if moved > steady else None


def _why_too_early(asked: Asked) -> str | None:
    least = LEAST_WAIT_MINUTES[asked.method]
    if asked.since_ms is None:
        return f"since when the probe stands there is missing: it takes at least {least} min to come to rest"
    waited = (asked.until_ms - asked.since_ms) / MINUTE_MS
    if waited < least:
        return f"still settling: it has stood there for {max(0, int(waited))} min, and at least {least} are needed"
    if asked.since_ms > asked.until_ms - asked.window_ms:
        return "the readings begin before the probe was put in: take fewer minutes, or wait longer"
    return None


def _point(
    channel: ChannelFact, asked: Asked, settling: Settling, expected: Expected, temperature: float | None
) -> dict[str, Any]:
    element = element_of(channel.model, channel.quantity)
    known = point_uncertainty(expected.uncertainty, settling.spread, element.resolution, repeat_uncertainty(element))
    return point_json(
        reference=round(expected.value, _DECIMALS),
        reads=round(settling.mean, _DECIMALS),
        uncertainty=round(known, _DECIMALS),
        method=str(asked.method),
        against=asked.against,
        reference_uncertainty=round(expected.uncertainty, _DECIMALS),
        temperature=None if temperature is None else round(temperature, _DECIMALS),
        spread=round(settling.spread, _DECIMALS),
        readings=settling.readings,
        **{
            "since": None if asked.since_ms is None else from_ms(asked.since_ms),
            "from": from_ms(settling.start_ms),
            "until": from_ms(settling.end_ms),
        },
    )
