"""Days to order by as a calendar file (iCalendar, RFC 5545), one entry for each kind of cylinder to be ordered."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from icalendar import Alarm, Calendar, Event

from frostshift_service.views.gas import GasPage, OrderView

MORNING_BEFORE: Final = timedelta(hours=-17)
"""A reminder at seven in the morning of the day before; whole days begin at midnight."""


def order_calendar(page: GasPage, now: datetime) -> bytes:
    """The days to order by, whole-day entries with a reminder in the morning of the day before.

    A kind of cylinder keeps its entry, whatever day it moves to: a calendar that reads the file again replaces it,
    since the later file has the higher sequence. What is too late already reminds at once.
    """
    calendar = Calendar()
    calendar.add("prodid", "-//Frostshift//Gas order//EN")
    calendar.add("version", "2.0")
    for order in page.orders:
        if order.order_by is not None and order.count > 0:
            calendar.add_component(_entry(order, page, now))
    return bytes(calendar.to_ical())


def _entry(order: OrderView, page: GasPage, now: datetime) -> Event:
    assert order.order_by is not None
    name = _line(order.name)
    event = Event()
    event.add("uid", f"order-{page.header.site_id}-{order.kind}@frostshift")
    event.add("dtstamp", now)
    event.add("sequence", int(now.timestamp() // 60))
    event.add("dtstart", order.order_by)
    event.add("dtend", order.order_by + timedelta(days=1))
    event.add("summary", f"Order {order.count} × {name}, {_line(page.header.site_name)}")
    event.add(
        "description", "\n".join(_line(text) for text in (order.headline, f"There: {order.there}.", *order.notes))
    )
    event.add("transp", "TRANSPARENT")
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", f"Order {name}")
    if order.advice == "too_late":
        alarm.add("trigger", now + timedelta(minutes=5), parameters={"VALUE": "DATE-TIME"})
    else:
        alarm.add("trigger", MORNING_BEFORE)
    event.add_component(alarm)
    return event


def _line(text: str) -> str:
    """A text without line ends and control characters."""
    return " ".join("".join(char if char.isprintable() else " " for char in text).split())
