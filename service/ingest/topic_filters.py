"""MQTT topic filters (MQTT 5.0, section 4.7)."""

from collections.abc import Iterable
from typing import Generic, TypeVar

_Value = TypeVar("_Value")


def matches(topic_filter: str, topic: str) -> bool:
    """Whether a topic matches a filter.

    Parameters
    ----------
    topic_filter : str
        With ``+`` for one level and ``#`` as the last level for any number of them; taken as valid.
    topic : str
        Without wildcards.

    Returns
    -------
    bool
        A filter that begins with a wildcard never matches a topic that begins with ``$`` (MQTT-4.7.2-1).

    References
    ----------
    .. [1] OASIS, "MQTT Version 5.0", section 4.7.
    """
    wanted, levels = topic_filter.split("/"), topic.split("/")
    if topic.startswith("$") and wanted[0] in {"+", "#"}:
        return False
    for position, level in enumerate(wanted):
        if level == "#":
            return True
        if position >= len(levels) or level not in {"+", levels[position]}:
            return False
    return len(wanted) == len(levels)


class TopicIndex(Generic[_Value]):
    """Finds what listens to a topic: at once for plain topics, by trial for those with wildcards.

    Parameters
    ----------
    listeners : iterable of (topic filter, value)
        Several may have the same filter.
    """

    def __init__(self, listeners: Iterable[tuple[str, _Value]]) -> None:
        self._plain: dict[str, list[_Value]] = {}
        self._wild: list[tuple[str, _Value]] = []
        for topic_filter, value in listeners:
            if "+" in topic_filter or "#" in topic_filter:
                self._wild.append((topic_filter, value))
            else:
                self._plain.setdefault(topic_filter, []).append(value)

    def find(self, topic: str) -> list[_Value]:
        """Return the values whose filter matches, plain ones first."""
        found = self._plain.get(topic, [])
        if not self._wild:
            return found
        return found + [value for topic_filter, value in self._wild if matches(topic_filter, topic)]
