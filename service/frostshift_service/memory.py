"""What the process holds of the machine's memory beyond what it has in use."""

from __future__ import annotations

import ctypes
from contextlib import suppress
from typing import Final

from frostshift_rules.conduction import forget_responses

M_ARENA_MAX: Final = -8
"""Of glibc's malloc.h."""


def share_pools() -> None:
    """Let all threads take their memory from two pools instead of one each, where the C library is glibc.

    What a thread gave back stays in its pool: with fifty readers of 5,000 joints 1.3 GB after five minutes, 0.5 GB so.
    """
    with suppress(AttributeError, OSError, TypeError):  # another library, or another system
        ctypes.CDLL(None).mallopt(M_ARENA_MAX, 2)


def let_go() -> None:
    """Forget what no joint may ask for any more, and hand what is free back to the system; answers do not change.

    The rules keep the response of every geometry they met, of joints long done too, up to some hundred megabytes; with
    another schedule a week (`tests/bench/soak.py`) it was 2 MB a week. The next plan integrates anew what it needs.
    """
    forget_responses()
    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
