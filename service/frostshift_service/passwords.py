"""Passwords: what may be one, and their hashes (Argon2id, RFC 9106)."""

from __future__ import annotations

import threading
import unicodedata
from functools import cache
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

LEAST: Final = 12
"""Fewest letters. NIST SP 800-63B asks for length rather than kinds of letters; twelve is our choice."""
MOST: Final = 200

_HASHER: Final = PasswordHasher()
"""The library's own choice: RFC 9106's second recommended option, 64 MiB and three passes."""
_AT_ONCE: Final = threading.BoundedSemaphore(2)
"""Each hash takes 64 MiB: a flood of attempts may take time, not memory."""


def password_problem(password: str, *known: str) -> str:
    """Why this may not be a password, for people; empty where it may.

    Args:
        password: as typed.
        known: what others know of the account, such as its name and mail address.
    """
    if len(password) < LEAST:
        return f"A password has at least {LEAST} letters; a short sentence is easy to type and hard to guess."
    if len(password) > MOST:
        return f"A password has at most {MOST} letters."
    plain = password.casefold()
    if len(set(plain)) < 5:
        return "This password repeats itself; anybody tries that first."
    for word in known:
        word = word.casefold()
        if len(word) >= 4 and word in plain and len(plain) - len(word) < LEAST // 2:
            return "This password is little more than the name or the mail address."
    return ""


def hash_of(password: str) -> str:
    """The hash to keep, its parameters and salt in it."""
    with _AT_ONCE:
        return _HASHER.hash(_normal(password))


def is_password(kept: str | None, password: str) -> bool:
    """Whether it is the password of a hash; without a hash it takes as long, so that nobody learns who has one."""
    with _AT_ONCE:
        try:
            return _HASHER.verify(kept or _of_nobody(), _normal(password)) and kept is not None
        except (VerificationError, InvalidHashError):
            return False


def is_outdated(kept: str) -> bool:
    """Whether a hash was made with parameters that we no longer choose."""
    return _HASHER.check_needs_rehash(kept)


def _normal(password: str) -> str:
    """The same letters are the same password on every keyboard (NIST SP 800-63B: NFKC)."""
    return unicodedata.normalize("NFKC", password)[: MOST * 4]


@cache
def _of_nobody() -> str:
    return _HASHER.hash("a password of nobody")
