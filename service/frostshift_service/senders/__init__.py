"""Senders: one file a channel, one method each, one error that says whether trying again can help."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final, Protocol

from frostshift_rules.notice_setup import Address, Channel, Urgency

ANSWER_PATH: Final = "/answer/"
"""Where an answer link leads on the pages, before its secret."""


class SendError(Exception):
    """A message was not taken over.

    Attributes:
        permanent: its address refuses: trying again cannot help, and the address is switched off.
        whole_channel: it has nothing to do with the address: no other message of the channel would get through now.
        retry_after: pause that the server asked for; None: none.
    """

    def __init__(
        self,
        message: str,
        *,
        permanent: bool = False,
        whole_channel: bool = False,
        retry_after: timedelta | None = None,
    ) -> None:
        super().__init__(message)
        self.permanent = permanent
        self.whole_channel = whole_channel
        self.retry_after = retry_after


@dataclass(frozen=True, slots=True)
class Message:
    """What is sent to one address.

    Attributes:
        number: of the notice; 0: a test message.
        delivery_id: the same however often it is tried, so that a duplicate is recognised; 0: a test message.
        turn: 0 first, 1 again, 2 passed on from somebody who has not answered.
        site_id, site_name: of the site.
        crew: empty: it concerns the site.
        kinds: what it is about.
        urgency: how urgent.
        person: name of whom it is for.
        first_line, text, html: as `store.records.Words`.
        answer_link: whole address; empty: the pages have no address that others reach.
        made_utc: when it was decided.
        by_utc: by when something has to be done; None: no such time.
    """

    number: int
    delivery_id: int
    turn: int
    site_id: str
    site_name: str
    crew: str
    kinds: tuple[str, ...]
    urgency: Urgency
    person: str
    first_line: str
    text: str
    html: str
    answer_link: str = field(repr=False)
    made_utc: datetime
    by_utc: datetime | None = None


class Sender(Protocol):
    """One channel."""

    def send(self, address: Address, message: Message, now: datetime) -> str:
        """Send once, within a minute or so.

        Returns:
            What the other side said, a few words for the log.

        Raises:
            SendError: it was not taken over, or that is not known.
        """


Senders = Mapping[Channel, Sender]

Mailer = Callable[[str, str, str, str, datetime], None]
"""Sends a mail of plain text, such as a link to sign in: to, name, subject, text, time. Raises `SendError`."""


def one_line(text: str, most: int) -> str:
    """A text as one line for a header: control characters become spaces, what is too long is cut."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return line if len(line) <= most else line[: most - 1] + "…"
