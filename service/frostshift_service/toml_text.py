"""Text as TOML writes it."""

from __future__ import annotations

from collections.abc import Iterable


def toml_text(value: str) -> str:
    """A TOML basic string."""
    escaped = "".join(
        f"\\u{ord(c):04x}" if ord(c) < 0x20 or ord(c) == 0x7F else {"\\": "\\\\", '"': '\\"'}.get(c, c) for c in value
    )
    return f'"{escaped}"'


def toml_texts(values: Iterable[str]) -> str:
    """A TOML list of strings."""
    return f"[{', '.join(toml_text(value) for value in values)}]"
