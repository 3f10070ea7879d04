"""The loop over the sites that are due, shared by all copies of the service on one store."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from threading import Event, Lock
from typing import Final

from sqlalchemy import Engine

from frostshift_service.heartbeat import Heartbeat
from frostshift_service.store.engine import writing
from frostshift_service.store.turns import LEASE, Turn, end_turn, keep_turns, take_turn

WORKERS: Final = 4
"""Sites worked on at once: a weather service that is slow holds up one of them."""
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
            work: done for a site; what it raises ends the site's turn, and `run` raises it when the others are done.
            stopping: once set, no other site is taken.
        """
        self._engine, self._now, self._copy_name, self._work = engine, now, copy_name, work
        self._held: dict[Turn, datetime] = {}
        self._lock = Lock()
        self._stopping = stopping

    def run(self, workers: int = WORKERS) -> int:
        """Work on sites until none is due; how many that were."""
        with Heartbeat(BEAT_S, self._renew):
            if workers == 1:
                return self._run_one()
            with ThreadPoolExecutor(workers) as pool:
                return sum(done.result() for done in [pool.submit(self._run_one) for _ in range(workers)])

    def _run_one(self) -> int:
        done = 0
        while not self._stopping.is_set():
            with self._lock, writing(self._engine) as session:
                turn = take_turn(session, self._copy_name, now=self._now())
            if turn is None:
                break
            with self._lock:
                self._held[turn] = self._now()
            try:
                self._work(turn.site_id)
            finally:
                with self._lock:
                    self._held.pop(turn, None)
                with writing(self._engine) as session:
                    end_turn(session, turn, now=self._now())
            done += 1
        return done

    def _renew(self) -> None:
        now = self._now()
        with self._lock:
            held = [turn for turn, since in self._held.items() if now - since < LONGEST]
        if held:
            with writing(self._engine) as session:
                keep_turns(session, held, now=now)
