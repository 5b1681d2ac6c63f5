"""The heartbeat: a call to an outside watcher while everything that matters is well.

When it stays away, that watcher knows that the whole machine is gone, which this machine could never tell.
"""

import httpx

from service.errors import HeartbeatRefused, HeartbeatUnanswered

TIMEOUT_S = 10.0


def beat(client: httpx.Client, url: httpx.URL) -> None:
    """Tell the outside watcher that this service is well.

    Raises
    ------
    HeartbeatUnanswered
        No answer; the next beat may succeed.
    HeartbeatRefused
        It said no; someone must mend the setting. Neither text holds the path, since that is usually a secret.
    """
    try:
        answer = client.post(url, timeout=TIMEOUT_S)
    except httpx.RequestError as exc:
        raise HeartbeatUnanswered(f"heartbeat: no answer from {url.host}; the next one may get through") from exc
    if not answer.is_success:
        raise HeartbeatRefused(f"heartbeat: {url.host} said {answer.status_code}; check WARDIAN_HEARTBEAT")
