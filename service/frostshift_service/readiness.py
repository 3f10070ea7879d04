"""Whether this copy can do its work: the database answers, its schema is ours, its loops move.

It is asked for by whoever likes, as often as they like: the database is looked at once in `HELD_S` at most, by one
thread, and a database that never answers holds nobody up.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from threading import Lock, Thread
from time import monotonic
from typing import Final

from sqlalchemy import Engine

from frostshift_service.store.outside import NoAnswer, check_answers

WITHIN_S: Final = 3.0
"""So long the database may take to answer."""
HELD_S: Final = 2.0
"""So long an answer counts."""
STILL_S: Final = 600.0
"""One step of a loop, while weather services or mail servers answer late, may take several minutes. Our choice."""

StillS = Callable[[], Mapping[str, float | None]]
"""Loop, by what it does -> seconds since it last took a step; None: it has taken none."""


class Readiness:
    """Looks at the database of one app and at its loops."""

    def __init__(self, engine: Callable[[], Engine], still_s: StillS | None) -> None:
        """A look-out.

        Args:
            engine: gives the engine of the store.
            still_s: of its loops; None: this app runs none.
        """
        self._engine, self._still_s = engine, still_s
        self._lock = Lock()
        self._asked_s = 0.0
        self._answer: Future[str] | None = None

    async def problems(self) -> list[str]:
        """What keeps this copy from its work, in sentences; empty: nothing."""
        return [*await self._of_database(), *self._of_loops()]

    def _of_loops(self) -> list[str]:
        if self._still_s is None:
            return []
        problems = []
        for loop, still_s in self._still_s().items():
            if still_s is None:
                problems.append(f"The loop that {loop} has taken no step yet.")
            elif still_s > STILL_S:
                problems.append(f"The loop that {loop} has stood still for {still_s // 60:.0f} min.")
        return problems

    async def _of_database(self) -> list[str]:
        answer, asked_s = self._ask()
        if not answer.done():
            await asyncio.wait({asyncio.wrap_future(answer)}, timeout=max(0.0, asked_s + WITHIN_S - monotonic()))
        if not answer.done():
            return [f"The database has not answered within {WITHIN_S:g} s."]
        return [answer.result()] if answer.result() else []

    def _ask(self) -> tuple[Future[str], float]:
        """The answer that counts now, or is waited for, and when it was asked for."""
        with self._lock:
            known = self._answer
            if known is None or (known.done() and monotonic() - self._asked_s > HELD_S):
                self._asked_s = monotonic()
                known = self._answer = Future()
                Thread(target=self._look, args=(known,), name="readiness", daemon=True).start()
            return known, self._asked_s

    def _look(self, answer: Future[str]) -> None:
        try:
            check_answers(self._engine(), WITHIN_S - 1)
        except NoAnswer as error:
            answer.set_result(f"{str(error)[:1].upper()}{str(error)[1:]}.")
        except Exception as error:
            answer.set_result(f"The database could not be asked ({type(error).__name__}).")
        else:
            answer.set_result("")
