"""The sender of the demo: says on the terminal what would be sent, and sends nothing."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from frostshift_rules.notice_setup import Address
from frostshift_service.senders import Message, one_line
from frostshift_service.store.records import shown_address


class ConsoleSender:
    """Hands each message to `say` as one line."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say

    def send(self, address: Address, message: Message, now: datetime) -> str:  # noqa: ARG002  # as every sender
        """Say what would be sent."""
        self._say(f"Not sent, {shown_address(address.key)}: {one_line(message.first_line, 200)}")
        return "shown on the terminal, not sent"
