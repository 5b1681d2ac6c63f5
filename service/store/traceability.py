"""What is known of a channel's errors over a span: by its model, or by the reference checks that were made of it."""

from dataclasses import dataclass
from functools import lru_cache

from sensors.catalogue import Element, Figures, element_for, expanded_uncertainty, own_element, repeat_uncertainty
from sensors.quantities import UnknownWordError
from service.climate.uncertainty import months_between, widened_for_drift
from service.store.facts import ChannelFact
from service.store.history import line_at

_UNKNOWN_MODEL = "generic"


@dataclass(frozen=True, slots=True)
class ChannelErrors:
    """What the readings of a channel may be off by, over a span.

    Attributes
    ----------
    uncertainty : float
        Expanded, k = 2, the widest of the span. [the quantity's unit]
    repeat_uncertainty : float
        Of a difference of two readings, k = 2. [unit]
    resolution : float
        [unit]
    soak_allowance : float
        What comes on top while a humidity element is soaked. [unit]
    """

    uncertainty: float
    repeat_uncertainty: float
    resolution: float
    soak_allowance: float


@lru_cache(maxsize=256)
def element_of(model: str, quantity: str, figures: Figures | None = None) -> Element:
    """Return the element of a channel: by the keeper's own figures, else the catalogue's.

    A model that the catalogue does not list counts as the generic one.
    """
    try:
        if figures is not None:
            return own_element(quantity, figures)
        return element_for(model, quantity)
    except UnknownWordError:
        return element_for(_UNKNOWN_MODEL, quantity)


def errors_within(channel: ChannelFact, start_ms: int, end_ms: int) -> ChannelErrors:
    """Return what a channel's readings of a span may be off by.

    Parameters
    ----------
    channel : ChannelFact
    start_ms, end_ms : int
        [start_ms, end_ms). [ms since 1970, UTC]

    Returns
    -------
    ChannelErrors
        Before the first reference check the uncertainty is the catalogue's; after one it is that of its correction at
        the worse end of its use, widened by the element's drift allowance for each month since (or before, where the
        check corrects what came before it). Where several hold within the span, the widest counts.
    """
    element = element_of(channel.model, channel.quantity, channel.figures)
    edges = sorted({start_ms, *(c.start_ms for c in channel.calibrations), *(c.end_ms for c in channel.calibrations)})
    inside = [edge for edge in edges if start_ms <= edge < end_ms] or [start_ms]
    widest = 0.0
    for first, last in zip(inside, [*inside[1:], max(end_ms, start_ms)], strict=True):
        check = channel.check_at(first)
        if check is None:
            known = expanded_uncertainty(element)
        else:
            months = max(months_between(check.checked_ms, last), months_between(first, check.checked_ms))
            widest_of_check = check.correction.widest(channel.quantity)
            known = widened_for_drift(widest_of_check, channel.quantity, months, element.drift_per_month)
        widest = max(widest, known)
    return ChannelErrors(widest, repeat_uncertainty(element), element.resolution, element.soak_allowance)


def lines_within(channel: ChannelFact, start_ms: int, end_ms: int) -> tuple[tuple[int, float, float], ...]:
    """Return from when on which slope and offset correct the readings of a span: what a calibration changes."""
    edges = {edge for c in channel.calibrations for edge in (c.start_ms, c.end_ms) if start_ms < edge < end_ms}
    return tuple((edge, *line_at(channel, edge)) for edge in (start_ms, *sorted(edges)))
