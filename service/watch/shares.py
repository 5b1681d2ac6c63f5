"""Which rooms this process watches, where several watch one site.

A room is watched whole, by one process, and so are rooms that a gateway joins: what befalls them together is seen in
one place alone. Rooms fall into shares by a hash of their key; a share is claimed in the database, and is free again at
once when its process ends.
"""

import math
import zlib
from typing import Final

from service.store.claims import Claims

SHARES: Final = 16
_MOST_WATCHERS: Final = 32
_PRESENT = [f"watcher-{number}" for number in range(_MOST_WATCHERS)]


class Shares:
    """The shares that one process holds.

    Parameters
    ----------
    claims : Claims
        Of this process.
    """

    def __init__(self, claims: Claims) -> None:
        self._claims = claims
        self._mine: frozenset[int] = frozenset()

    @property
    def first(self) -> bool:
        """Whether what one process has to do for all is ours: it goes with the first share."""
        return 0 in self._mine

    def __len__(self) -> int:
        """Return how many shares are ours."""
        return len(self._mine)

    @property
    def held(self) -> frozenset[int]:
        """Which are ours."""
        return self._mine

    def has(self, island: str) -> bool:
        """Say whether rooms that hang together are ours to watch; `island` is the first of them."""
        return zlib.crc32(island.encode()) % SHARES in self._mine

    def settle(self) -> frozenset[int]:
        """Take what is free, up to an even part, and name what is above it.

        Returns
        -------
        frozenset of int
            Shares of ours that others should have: `give` them once what is known of them is saved.
        """
        held = self._claims.mine()
        if not any(name in held for name in _PRESENT):
            next((name for name in _PRESENT if self._claims.take(name)), None)
        fair = math.ceil(SHARES / max(1, self._claims.among(_PRESENT)))
        mine = {share for share in range(SHARES) if _name(share) in held}
        for share in range(SHARES):
            if len(mine) >= fair:
                break
            if share not in mine and self._claims.take(_name(share)):
                mine.add(share)
        self._mine = frozenset(mine)
        return frozenset(sorted(mine)[fair:])

    def give(self, shares: frozenset[int]) -> None:
        """Let shares go."""
        for share in shares:
            self._claims.release(_name(share))
        self._mine -= shares


def _name(share: int) -> str:
    return f"watch-{share}"
