"""Every error that the service raises for a person to read.

::

    WardianError                 one sentence: what, where, how to mend
    ├── BadUse                   asked for something that cannot be; ask differently
    │   ├── NotFound             no such enclosure, probe, alarm …
    │   ├── Refused              it exists, but what was asked is not allowed now
    │   └── RoomFileInvalid      the room file has errors; all of them are listed
    ├── RouteInvalid             a contact's route is none that can be used; mend it where it stands
    ├── SettingInvalid           a setting must be mended before the service can run
    ├── StoreUnusable            the database cannot be used as it is
    │   ├── StoreNewer           made by a newer version of the program
    │   ├── StoreForeign         not made by this program
    │   ├── StoreDamaged         it holds something else than was written; a copy or a backup must be used
    │   └── StoreFull            the disk is full or the file is read-only; trying again later can help
    ├── StoreContended           another process wrote the same at the same time; trying again helps
    └── Unreachable              another program does not answer; trying again can help
        ├── BrokerUnreachable
        ├── HeartbeatUnanswered
        ├── HeartbeatRefused     answered, but with no: a setting must be mended
        └── NotDelivered         a message was not taken; it is tried again

Errors of the pure parts (`service.climate.ranges.OutOfRangeError`, `sensors.payloads.PayloadError`) are theirs:
they are turned into refusals with a reason where they are met.
"""

from collections.abc import Sequence


class WardianError(Exception):
    """The root: its text is one sentence that says what, where and how to mend."""


class BadUse(WardianError):
    """Something was asked for that cannot be."""


class NotFound(BadUse):
    """What was named does not exist."""


class Refused(BadUse):
    """What was named exists, but this cannot be done with it now."""


class RoomFileInvalid(BadUse):
    """A room file has errors.

    Parameters
    ----------
    problems : sequence of str
        Each with its line, what is wrong and how to mend it.
    """

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(self.problems))


class SettingInvalid(WardianError):
    """A setting cannot be used."""


class RouteInvalid(WardianError):
    """A contact's route is none that can be used; its text does not show the route."""


class StoreUnusable(WardianError):
    """The database cannot be used as it is."""


class StoreNewer(StoreUnusable):
    """The database was made by a newer version of the program."""


class StoreForeign(StoreUnusable):
    """The file or database was not made by this program."""


class StoreDamaged(StoreUnusable):
    """What a database, a copy or a backup holds is not what was written to it."""


class StoreFull(StoreUnusable):
    """The disk is full, or the database cannot be written."""


class StoreContended(WardianError):
    """Another process wrote the same at the same time, or what was written does not fit the rest."""


class Unreachable(WardianError):
    """Another program does not answer."""


class BrokerUnreachable(Unreachable):
    """The MQTT broker does not answer, or refuses us."""


class HeartbeatUnanswered(Unreachable):
    """The outside watcher does not answer: the next beat may succeed."""


class HeartbeatRefused(Unreachable):
    """The outside watcher said no: the setting must be mended."""


class NotDelivered(Unreachable):
    """A message was not taken by the other end; its text does not show the route.

    Parameters
    ----------
    said : str
    retry_after_s : float, optional
        What the other end asked for. [s]
    """

    def __init__(self, said: str, retry_after_s: float | None = None) -> None:
        self.retry_after_s = retry_after_s
        super().__init__(said)
