"""How much of this process's memory is in use, apart from what it holds: CPython on Linux with glibc."""

from __future__ import annotations

import ctypes
import os
import re
import sys
import tempfile
from typing import ClassVar


class _Pools(ctypes.Structure):
    """`struct mallinfo2` of glibc's malloc.h (2.33 and later): bytes and counts over all pools."""

    _fields_: ClassVar = [
        (name, ctypes.c_size_t)
        for name in (
            "arena", "ordblks", "smblks", "hblks", "hblkhd", "usmblks", "fsmblks", "uordblks", "fordblks", "keepcost",
        )
    ]  # fmt: skip


def in_use_mb() -> float:
    """What was asked for and not given back [MB]: blocks of the C library, numpy's among them, and Python's small ones.

    Resident memory is more: code, files that are mapped, and what was given back and is held for the next time.
    """
    info = ctypes.CDLL(None).mallinfo2
    info.restype = _Pools
    pools = info()
    return (pools.uordblks + pools.hblkhd + _small_blocks()) / 1e6


def _small_blocks() -> int:
    """Bytes of Python's small blocks in use; the interpreter tells them only to its error stream."""
    with tempfile.TemporaryFile() as told:
        sys.stderr.flush()
        stream = os.dup(2)
        os.dup2(told.fileno(), 2)
        try:
            sys._debugmallocstats()  # type: ignore[attr-defined]
        finally:
            os.dup2(stream, 2)
            os.close(stream)
        told.seek(0)
        found = re.search(rb"# bytes in allocated blocks\s+=\s+([\d,]+)", told.read())
    assert found is not None, "this Python does not tell what its small blocks take"
    return int(found[1].replace(b",", b""))
