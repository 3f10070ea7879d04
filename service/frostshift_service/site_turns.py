"""The loop over the sites that are due, shared by all copies of the service on one store."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from functools import partial
from threading import Event, Lock
from typing import Final

from sqlalchemy import Engine

from frostshift_service.heartbeat import Heartbeat
from frostshift_service.store.engine import writing
from frostshift_service.store.turns import LEASE, Turn, end_turn, keep_turn, take_turn

WORKERS: Final = 4
"""Sites a copy works on at once: a weather service that is slow, or a site that hangs, holds up one of them."""
LONGEST: Final = timedelta(minutes=10)
"""Work on one site that takes longer hangs: its claim is renewed no more. Our choice."""
BEAT_S: Final = LEASE.total_seconds() / 4


class SiteTurns:
    """Takes sites that are due, one at a time a worker, and gives them back."""

    def __init__(
        self,
        engine: Engine,
        now: Callable[[], datetime],
        copy_name: str,
        work: Callable[[str], None],
        stopping: Event,
    ) -> None:
        """The loop.

        Args:
            engine: of the store.
            now: reads the clock, aware UTC.
            copy_name: of this copy, its own.
            work: done for a site; what it raises ends the site's turn, and `run`.
            stopping: once set, no other site is taken.
        """
        self._engine, self._now, self._copy_name, self._work = engine, now, copy_name, work
        self._in_hand: set[str] = set()
        self._taking = Lock()
        self._stopping = stopping

    def run(self) -> int:
        """Work on sites, one after the other, until none is due; how many that were. Several workers may run it."""
        done = 0
        while not self._stopping.is_set() and (turn := self._take()) is not None:
            try:
                with Heartbeat(BEAT_S, partial(self._renew, turn, self._now())):
                    self._work(turn.site_id)
            finally:
                self._in_hand.discard(turn.site_id)
                with writing(self._engine) as session:
                    end_turn(session, turn, now=self._now())
            done += 1
        return done

    def _take(self) -> Turn | None:
        with self._taking:
            with writing(self._engine) as session:
                turn = take_turn(session, self._copy_name, now=self._now(), skip=tuple(self._in_hand))
            if turn is not None:
                self._in_hand.add(turn.site_id)
            return turn

    def _renew(self, turn: Turn, since: datetime) -> None:
        now = self._now()
        if now - since < LONGEST:
            with writing(self._engine) as session:
                keep_turn(session, turn, now=now)
