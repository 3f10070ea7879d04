"""A day to remember as a calendar file (iCalendar, RFC 5545), one entry for each order that is due."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from frostshift_service.views.gas import GasPage

_LINE_BYTES = 75
"""Longest line without its end, RFC 5545, 3.1."""


def order_calendar(page: GasPage, now: datetime) -> bytes:
    """The days to order by, whole-day entries with a reminder in the morning of the day before.

    The same order keeps its entry while its day stays: calendars that read the file again replace it.
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Frostshift//Gas order//EN"]
    for order in page.orders:
        if order.order_by is None or order.count == 0:
            continue
        text = "\n".join([order.headline, f"There: {order.there}.", *order.notes])
        lines += [
            "BEGIN:VEVENT",
            f"UID:order-{page.header.site_id}-{order.kind}-{order.order_by.isoformat()}@frostshift",
            f"DTSTAMP:{now.astimezone(UTC):%Y%m%dT%H%M%SZ}",
            f"DTSTART;VALUE=DATE:{order.order_by:%Y%m%d}",
            f"DTEND;VALUE=DATE:{order.order_by + timedelta(days=1):%Y%m%d}",
            f"SUMMARY:{_escaped(f'Order {order.count} × {order.name}, {page.header.site_name}')}",
            f"DESCRIPTION:{_escaped(text)}",
            "TRANSP:TRANSPARENT",
            "BEGIN:VALARM",
            "ACTION:DISPLAY",
            f"DESCRIPTION:{_escaped(f'Order {order.name}')}",
            "TRIGGER:-PT17H",
            "END:VALARM",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return b"".join(_folded(line) + b"\r\n" for line in lines)


def _escaped(text: str) -> str:
    """Text of a value, RFC 5545, 3.3.11."""
    plain = "".join(char for char in text if char == "\n" or ord(char) >= 0x20)
    for char in ("\\", ";", ","):
        plain = plain.replace(char, f"\\{char}")
    return plain.replace("\n", "\\n")


def _folded(line: str) -> bytes:
    """A line in pieces of at most 75 bytes, never inside a character; each further one begins with a space."""
    pieces: list[bytes] = []
    piece = b""
    for char in line:
        encoded = char.encode("utf-8")
        if len(piece) + len(encoded) > _LINE_BYTES - bool(pieces):
            pieces.append(piece)
            piece = b""
        piece += encoded
    return b"\r\n ".join([*pieces, piece])
