"""A deadline for work on a connection: a server that sends a byte now and then must not hold a worker for ever."""

from __future__ import annotations

import socket
import threading
from contextlib import suppress
from types import TracebackType


class Deadline:
    """Cuts the connections it watches once its time is over; time-outs of single reads do not add up to that.

    Attributes:
        seconds: of its time [s].
        passed: whether it is over.
    """

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self.passed = False
        self._sockets: list[socket.socket] = []
        self._lock = threading.Lock()
        self._timer = threading.Timer(seconds, self._cut)
        self._timer.daemon = True

    def watch(self, connection: socket.socket) -> None:
        """Cut this one too, whatever is laid over it later, such as TLS."""
        own = connection.dup()
        with self._lock:
            self._sockets.append(own)
            if self.passed:
                _shut(own)

    def _cut(self) -> None:
        with self._lock:
            self.passed = True
            for one in self._sockets:
                _shut(one)

    def __enter__(self) -> Deadline:
        self._timer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._timer.cancel()
        with self._lock:
            for one in self._sockets:
                one.close()
            self._sockets.clear()


def _shut(connection: socket.socket) -> None:
    with suppress(OSError):  # closed by the other side already
        connection.shutdown(socket.SHUT_RDWR)
