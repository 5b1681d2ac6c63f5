"""What a look at an enclosure found: conditions that hold, that do not, and those that cannot be told."""

from dataclasses import dataclass

from service.watch.conditions import Condition


@dataclass(frozen=True, slots=True)
class Finding:
    """One condition at one place, at one moment.

    Attributes
    ----------
    condition : Condition
    place : str
        Such as `rack-a-3/ambient` or a channel's key.
    zone : str
    channel_id : int or None
    holds : bool or None
        None when it cannot be told: what stands goes on standing, and nothing is raised.
    began_ms : int
        Since when, as far as known. [ms since 1970, UTC]
    value, limit : float or None
        [unit]
    unit, cause : str or None
    """

    condition: Condition
    place: str
    zone: str
    channel_id: int | None
    holds: bool | None
    began_ms: int
    value: float | None = None
    limit: float | None = None
    unit: str | None = None
    cause: str | None = None
