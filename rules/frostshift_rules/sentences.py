"""Text as the beginning of a sentence."""

from __future__ import annotations


def capital(text: str) -> str:
    """`text` with its first letter large and the rest as it is: names keep their spelling."""
    return text[:1].upper() + text[1:]
