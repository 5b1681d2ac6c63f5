"""Topic filters as MQTT writes them."""

_LONGEST = 65_535


def fault_of_filter(topic: str) -> str | None:
    """Say what is wrong with a topic filter, None when it is sound.

    Parameters
    ----------
    topic : str
        A topic or a filter that a probe's messages are taken from.

    Returns
    -------
    str or None
        How to mend it.

    References
    ----------
    .. [1] OASIS MQTT 5.0, sections 1.5.4 and 4.7; a shared subscription (4.8.2) is made by the service itself.
    """
    levels = topic.split("/")
    if not topic or len(topic.encode("utf-8", "replace")) > _LONGEST:
        return f"a topic has from 1 to {_LONGEST} bytes"
    if "\0" in topic:
        return "a topic holds no character U+0000"
    if levels[0] == "$share":
        return 'write the topic alone: the service makes "$share" subscriptions by itself'
    if any("#" in level for level in levels[:-1]) or ("#" in levels[-1] and levels[-1] != "#"):
        return '"#" stands alone, as the last level, as in "probes/#"'
    if any("+" in level and level != "+" for level in levels):
        return '"+" stands for one whole level, as in "probes/+/state"'
    return None
