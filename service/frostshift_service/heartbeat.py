"""A beat while work goes on, so that others see that it does."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from types import TracebackType

log = logging.getLogger(__name__)


class Heartbeat:
    """Calls `beat` every so many seconds until the block ends, from a thread of its own; one that fails is logged."""

    def __init__(self, every_s: float, beat: Callable[[], None]) -> None:
        self._every_s, self._beat = every_s, beat
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        while not self._over.wait(self._every_s):
            try:
                self._beat()
            except Exception:
                log.exception("a claim could not be renewed")

    def __enter__(self) -> Heartbeat:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over.set()
        self._thread.join()
