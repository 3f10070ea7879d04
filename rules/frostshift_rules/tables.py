"""Rule tables as data, with a strict loader."""

from __future__ import annotations

from typing import Literal

Basis = Literal["seen", "second hand", "from memory", "our choice"]
