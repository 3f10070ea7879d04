"""Old rows go: once a day by one copy, a few at a time; or at once, where somebody asks for it."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Final

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from frostshift_service.metrics import count_error
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.retention import RULES, take_turn

log = logging.getLogger(__name__)

PAUSE_S: Final = 0.2
"""Between two transactions; a writer of SQLite that waits looks every tenth of a second whether it is its turn."""


def old_rows(engine: Engine, now: datetime) -> dict[str, int]:
    """How many rows may go now, by `Rule.what`; nothing goes. Forecasts can be more, once plans have gone."""
    with reading(engine) as session:
        return {rule.what: len(rule.find(session, now)) for rule in RULES}


def tidy(engine: Engine, now: datetime, pause: Callable[[], bool]) -> dict[str, int]:
    """Let go what `store.retention` names.

    Args:
        engine: of the store.
        now: aware.
        pause: called after every transaction; True ends it there, the rest goes the next time.

    Returns:
        How many went, by `Rule.what`; where a rule failed, those before it did.
    """
    gone: dict[str, int] = {}
    for rule in RULES:
        gone[rule.what] = 0
        with reading(engine) as session:
            keys = rule.find(session, now)
        for first in range(0, len(keys), rule.at_once):
            try:
                with writing(engine) as session:
                    gone[rule.what] += rule.drop(session, keys[first : first + rule.at_once], now)
            except DBAPIError:
                count_error("tidy")
                log.exception("old %s could not be deleted", rule.what)
                break
            if pause():
                return gone
    return gone


def tidy_where_due(engine: Engine, now: datetime, pause: Callable[[], bool]) -> Mapping[str, int]:
    """`tidy`, where nobody has done it for a day; nothing otherwise."""
    with writing(engine) as session:
        due = take_turn(session, now=now)
    gone = tidy(engine, now, pause) if due else {}
    said = ", ".join(f"{count} {what}" for what, count in gone.items() if count)
    if said:
        log.info("old rows are gone: %s", said)
    return gone
