"""The log: one line an event, as text for a terminal or as JSON for a collector, with what it is about, never a secret.

Every module logs by the standard library, as do the libraries we use; what is added here is how a line is written.
`about` says what the lines inside it are about, such as a request or a site.
"""

from __future__ import annotations

import json
import logging
import re
import socket
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime
from functools import cache
from typing import Any, Final, Literal
from uuid import uuid4

LogFormat = Literal["text", "json"]

LEAST_HIDDEN: Final = 4
"""Letters of the shortest value that is taken out wherever it stands: a shorter one would take words apart."""

_ABOUT: ContextVar[dict[str, Any]] = ContextVar("about", default={})  # noqa: B039  # never changed in place

_HIDDEN: Final = (
    # Whatever stands behind the host of a web address may be a secret: of a webhook the path is.
    (
        re.compile(r"\b([a-z][a-z0-9+.-]*://)(?:[^/\s\"'<>]*@)?([^/\s?#@\"'<>]+)(?:[/?#][^\s\"'<>]*)?", re.IGNORECASE),
        r"\1\2/...",
    ),
    (re.compile(r"(/(?:crew|answer|calendar)/)[A-Za-z0-9_%.~-]+"), r"\1..."),
    (re.compile(r"\bfst_[A-Za-z0-9_-]+"), "fst_..."),
    (re.compile(r"\b(bearer|basic) +[\x21-\x7e]+", re.IGNORECASE), r"\1 ..."),
    (
        re.compile(
            r"\b(frostshift_session|[a-z_-]*(?:token|secret|password|passwd|signature|api[_-]?key))(['\"]?[=:] ?['\"]?)"
            r"[^\s&;,'\"<>]+",
            re.IGNORECASE,
        ),
        r"\1\2...",
    ),
)
"""A net below the code, which names no secret in a message: what looks like one is taken out of every line."""


@contextmanager
def about(**facts: Any) -> Iterator[None]:
    """What the lines of the log inside are about, added to what is known already; None and empty texts are left out."""
    told = {name: value for name, value in facts.items() if value is not None and value != ""}
    before = _ABOUT.set({**_ABOUT.get(), **told})
    try:
        yield
    finally:
        _ABOUT.reset(before)


@cache
def copy_name() -> str:
    """Name of this copy of the service: its machine (in a container the container's), and a part of its own each start.

    Not the number of its process: that is 1 in every container, and the containers' names may be the same.
    """
    return f"{socket.gethostname()}-{uuid4().hex[:8]}"


def without_secrets(text: str, values: Collection[str] = ()) -> str:
    """A text with what is, or looks like, a secret taken out; of a web address the host is left."""
    for value in values:
        if len(value) >= LEAST_HIDDEN:
            text = text.replace(value, "...")
    for pattern, instead in _HIDDEN:
        text = pattern.sub(instead, text)
    return text


class Lines(logging.Formatter):
    """Writes a record as one line; as text its traceback follows on lines of its own."""

    def __init__(self, form: LogFormat, copy: str, secrets: Collection[str] = ()) -> None:
        """A formatter.

        Args:
            form: of the lines.
            copy: name of this copy of the service.
            secrets: values that are taken out wherever they stand.
        """
        super().__init__()
        self._form, self._copy = form, copy
        self._secrets = tuple(sorted(secrets, key=len, reverse=True))  # the longest first: one may hold another

    def format(self, record: logging.LogRecord) -> str:
        """One line without its end."""
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        event = self._clean(record.getMessage())
        error = self._clean(self.formatException(record.exc_info)) if record.exc_info else ""
        facts = {name: self._clean(value) if isinstance(value, str) else value for name, value in _ABOUT.get().items()}
        if self._form == "json":
            line = {"time": at, "level": record.levelname.lower(), "event": event, "logger": record.name}
            whole = {**line, "copy": self._copy, **facts, **({"error": error} if error else {})}
            return json.dumps(whole, default=str)  # ASCII: no letter of it ends a line
        said = " ".join(f"{name}={_in_line(str(value))}" for name, value in facts.items())
        text = f"{at} {record.levelname} {_in_line(event)}" + (f"  {said}" if said else "")
        return f"{text}\n{error}" if error else text

    def _clean(self, text: str) -> str:
        return without_secrets(text, self._secrets)


def _in_line(text: str) -> str:
    """A text that neither ends the line nor moves the terminal's cursor."""
    return "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in text)


def write_log(form: LogFormat, level: str, secrets: Collection[str] = ()) -> None:
    """From now on the process logs to standard error in this form; libraries from `warning` on.

    Args:
        form: of the lines.
        level: least severe message of ours.
        secrets: values that are taken out wherever they stand.
    """
    root = logging.getLogger()
    for one in [one for one in root.handlers if type(one) is logging.StreamHandler]:
        root.removeHandler(one)
    handler = logging.StreamHandler()
    handler.setFormatter(Lines(form, copy_name(), secrets))
    root.addHandler(handler)
    root.setLevel(logging.WARNING)
    # A look for due sites that comes while the last is still at work is left out: usual, and no news every few seconds.
    # A loop that hangs is seen by `/readyz`.
    logging.getLogger("apscheduler.scheduler").setLevel(logging.ERROR)
    logging.getLogger("frostshift_service").setLevel(level.upper())
