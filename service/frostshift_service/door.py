"""People and programs by what they bring: a session, a token, a one-time link, each looked up in the store.

A restart signs nobody out. Nothing of the web is imported here: a command makes links as well.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from http.cookies import CookieError, SimpleCookie
from typing import Final, Literal, Protocol
from urllib.parse import urlsplit

from sqlalchemy import Engine

from frostshift_service.rights import Actor
from frostshift_service.store import accounts as kept
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.machine_tokens import SEEN_EVERY as TOKEN_SEEN_EVERY
from frostshift_service.store.machine_tokens import machine_token_with, mark_token_used

COOKIE: Final = "frostshift_session"
SECURE_COOKIE: Final = f"__Host-{COOKIE}"
"""Over https: browsers take this name from us alone, not from another server of the domain, or without https."""
ENTER_PATH: Final = "/enter"

_BEARER: Final = re.compile(r"[Bb]earer +([\x21-\x7e]{1,200}) *")


def is_secure(host: str, pages_url: str | None) -> bool:
    """Whether a request for this host comes over https: it is the public one, and so is its address."""
    public = urlsplit(pages_url or "")
    return public.scheme == "https" and host.lower() == public.netloc.lower()


def cookie_name(*, secure: bool) -> str:
    """Name of the cookie of a session."""
    return SECURE_COOKIE if secure else COOKIE


class Headers(Protocol):
    """What is needed of a request's headers; names in small letters."""

    def get(self, key: str, default: str, /) -> str:
        """The first of a name."""

    def getlist(self, key: str, /) -> list[str]:
        """All of a name."""


@dataclass(frozen=True, slots=True)
class Entered:
    """Who was found at the door.

    Attributes:
        actor: who asks.
        browser: that he is signed in on; None: a token.
    """

    actor: Actor
    browser: kept.Browser | None = None


@dataclass(frozen=True, slots=True)
class Brought:
    """What somebody brings to be known by: the secret of his session or of his program's token, right or wrong."""

    kind: Literal["session", "token"]
    secret: str = field(repr=False)


def brought_in(headers: Headers, cookie: str = COOKIE) -> Brought | None:
    """What these headers bring; None: nothing that could be looked up.

    A token in `Authorization` counts alone: where there is one, the cookie is not looked at.

    Args:
        headers: of a request.
        cookie: name of the one that counts.
    """
    authorization = headers.getlist("authorization")
    if authorization:
        bearer = _BEARER.fullmatch(authorization[0]) if len(authorization) == 1 else None
        return None if bearer is None else Brought("token", bearer[1])
    try:
        cookies = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        return None
    return Brought("session", cookies[cookie].value) if cookie in cookies else None


class Door:
    """People and programs by what they bring.

    Attributes:
        engine: gives the engine of the store.
        now: reads the clock.
    """

    def __init__(self, engine: Callable[[], Engine], now: Callable[[], datetime]) -> None:
        self.engine, self.now = engine, now

    def new_link(self, email: str | None = None) -> str:
        """Path and query of a link that signs somebody in, once; without a mail address an owner.

        Only for whoever holds this machine: with it, he holds the database too.

        Raises:
            UnknownAccount: there is no open account of that mail address.
        """
        now = self.now()
        with writing(self.engine()) as session:
            if email is None:
                account = kept.owner_to_let_in(session, now=now)
            else:
                found = kept.by_mail(session, email)
                if found is None:
                    raise kept.UnknownAccount(f"there is no open account with the mail address {email!r}")
                account = found
            return f"{ENTER_PATH}?token={kept.new_entry_link(session, account.id, now=now, proves=True)}"

    def who(self, brought: Brought) -> Entered | None:
        """Who brings this; None: nobody we know."""
        return self._by_token(brought.secret) if brought.kind == "token" else self._by_session(brought.secret)

    def _by_session(self, secret: str) -> Entered | None:
        now = self.now()
        with reading(self.engine()) as session:
            found = kept.account_of_session(session, secret, now=now)
        if found is None:
            return None
        account, browser = found
        if now - browser.seen_utc > kept.SEEN_EVERY:
            with writing(self.engine()) as session:
                kept.mark_session_seen(session, browser.key, now=now)
        return Entered(account.actor, browser)

    def _by_token(self, secret: str) -> Entered | None:
        now = self.now()
        with reading(self.engine()) as session:
            token = machine_token_with(session, secret)
        if token is None:
            return None
        if token.last_used_utc is None or now - token.last_used_utc > TOKEN_SEEN_EVERY:
            with writing(self.engine()) as session:
                mark_token_used(session, token.id, now=now)
        return Entered(token.actor)
