"""How often one client may ask: token buckets in memory, of this copy alone.

A bucket holds so many requests and fills again at an even rate. Whom a bucket is for the guard decides: whoever is
known has one of his own, so that he is not slowed by others behind his network address; everybody else shares that of
the address. A trailer full of phones has one address, so that both are generous.
"""

from __future__ import annotations

import ipaddress
from collections import OrderedDict
from collections.abc import Callable, Hashable
from time import monotonic
from typing import Final

SECONDS_HELD: Final = 30
"""A full bucket holds so many seconds of its rate. Our choice."""
GUESSES_HELD: Final = 3.0
GUESSES_FILL: Final = 0.01
"""Wrong links of one address, and wrong tokens of its devices beside them: shares of the rate, held and filled again;
with 20 requests a second 60, and one more in five seconds. Secrets are 256 random bits, so that this is for the
database's sake."""
MOST_KEPT: Final = 10_000
"""Buckets, and secrets known to be right or wrong; who was not heard of the longest goes, which is the same as a full
bucket."""


class Buckets:
    """A bucket for each key. For one thread."""

    def __init__(
        self, held: float, per_s: float, now_s: Callable[[], float] = monotonic, most: int = MOST_KEPT
    ) -> None:
        self._held, self._per_s, self._now_s, self._most = held, per_s, now_s, most
        self._kept: OrderedDict[Hashable, tuple[float, float]] = OrderedDict()

    def wait_s(self, key: Hashable) -> float:
        """Seconds until the bucket holds one; 0: it does."""
        left, _ = self._left(key)
        return max(0.0, (1.0 - left) / self._per_s)

    def take(self, key: Hashable) -> None:
        """Take one out; of an empty bucket nothing can be taken."""
        left, now_s = self._left(key)
        self._kept[key] = (max(0.0, left - 1.0), now_s)
        self._kept.move_to_end(key)
        while len(self._kept) > self._most:
            self._kept.popitem(last=False)

    def _left(self, key: Hashable) -> tuple[float, float]:
        now_s = self._now_s()
        left, at_s = self._kept.get(key, (self._held, now_s))
        return min(self._held, left + (now_s - at_s) * self._per_s), now_s


class Limits:
    """The buckets of one copy, and the secrets that opened something lately, or nothing.

    One that opened nothing opens nothing later, and is no new guess when it comes again: the phone that still asks by a
    link that was ended must not shut out those beside it.
    """

    def __init__(self, per_s: float, now_s: Callable[[], float] = monotonic) -> None:
        self._requests = Buckets(per_s * SECONDS_HELD, per_s, now_s)
        self._guesses = Buckets(per_s * GUESSES_HELD, per_s * GUESSES_FILL, now_s)
        self._right: OrderedDict[str, None] = OrderedDict()
        self._wrong: OrderedDict[str, None] = OrderedDict()

    def wait_s(self, client: Hashable) -> float:
        """Seconds that a client has to wait, and 0 where he may ask: then it is counted."""
        wait_s = self._requests.wait_s(client)
        if not wait_s:
            self._requests.take(client)
        return wait_s

    def wait_to_guess_s(self, client: str, secret: str) -> float:
        """Seconds until a secret of this client is looked up; 0 for one that was looked up before."""
        return 0.0 if secret in self._right or secret in self._wrong else self._guesses.wait_s(client)

    def counted_by(self, secret: str, unknown: str) -> str:
        """Whom a request with this secret is counted for: itself where it was right before, else as one unknown."""
        return secret if secret in self._right else unknown

    def was_right(self, secret: str) -> None:
        """A secret opened something; it is kept as whatever stands for it, never itself."""
        _remember(self._right, secret)
        self._wrong.pop(secret, None)

    def forget(self, secret: str) -> None:
        """Count a secret as unknown again."""
        self._right.pop(secret, None)

    def was_wrong(self, client: str, secret: str) -> None:
        """A secret opened nothing, or nothing any more: one guess less, the first time."""
        self.forget(secret)
        if secret not in self._wrong:
            self._guesses.take(client)
        _remember(self._wrong, secret)


def _remember(known: OrderedDict[str, None], secret: str) -> None:
    known[secret] = None
    known.move_to_end(secret)
    while len(known) > MOST_KEPT:
        known.popitem(last=False)


def address_of(host: str | None) -> str:
    """What a client is counted by: his address; of IPv6 the network that one line usually gets (/64)."""
    try:
        found = ipaddress.ip_address((host or "").partition("%")[0])
    except ValueError:
        return host or "unknown"
    if isinstance(found, ipaddress.IPv6Address) and found.ipv4_mapped is None:
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(getattr(found, "ipv4_mapped", None) or found)
