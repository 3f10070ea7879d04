"""The only reader of the clock. Everything else takes `now` as an argument."""

from __future__ import annotations

from datetime import UTC, datetime


def utc_now() -> datetime:
    """The time now, aware UTC."""
    return datetime.now(UTC)
