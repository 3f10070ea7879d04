"""Webhook: a notice posted to a web address, as our own JSON with a signature, or as the site's template has it.

Our JSON (`FORMAT` counts up when a field changes its meaning; new fields may come at any time):

    {"format": 1, "number": 12, "delivery": 31, "turn": 0, "test": false, "site": "ore-shed", "site_name": "Ore shed",
     "crew": "row C", "kinds": ["front"], "urgency": "now", "person": "Rowan", "first_line": "...", "text": "...",
     "html": "...", "answer_link": "https://...", "made_utc": "2027-01-14T20:50:00Z", "by_utc": null}

`number` and `delivery` stay the same when it is sent again after a broken connection. Where the address has a secret,
`X-Frostshift-Time` is when it was sent and `X-Frostshift-Signature` the lower-case hex of HMAC-SHA256 (RFC 2104) with
the secret over that time, a line feed and the body. Whoever checks it compares in constant time and refuses old ones.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from string import Template as Places
from typing import Final
from urllib.parse import quote_plus

import httpx

from frostshift_rules.notice_setup import Address, Template
from frostshift_service.http import AddressRefused, BadStatus, HttpError, post
from frostshift_service.senders import Message, SendError, one_line

FORMAT: Final = 1
TIME_HEADER: Final = "X-Frostshift-Time"
SIGNATURE_HEADER: Final = "X-Frostshift-Signature"
NUMBER_HEADER: Final = "X-Frostshift-Notice"
GONE: Final = (404, 410)
"""Statuses that say that there is nothing at the address. Others of the 4xx may be about one message, or mend."""
MOST_HEADER: Final = 500
WHOLE_S: Final = 60.0

PLACES: Final = (
    "first_line", "text", "number", "link", "site", "site_name", "crew", "kinds", "urgency", "person", "turn", "made",
    "by",
)  # fmt: skip
"""The places that a template may have, each written with a dollar sign; two dollar signs are one."""


def _in_json(value: str) -> str:
    return json.dumps(value)[1:-1]


def _plain(value: str) -> str:
    return value


ESCAPES: Final[Mapping[str, Callable[[str], str]]] = {
    "application/json": _in_json,
    "application/x-www-form-urlencoded": quote_plus,
    "text/plain": _plain,
}
"""Content types that a template may have -> how a value is written there. JSON: inside quotation marks."""


class WebhookSender:
    """Posts notices to web addresses."""

    def __init__(self, client: httpx.Client, *, whole_s: float = WHOLE_S) -> None:
        """A sender.

        Args:
            client: from `http.make_sending_client`.
            whole_s: longest time for one post [s].
        """
        self._client, self._whole_s = client, whole_s

    def send(self, address: Address, message: Message, now: datetime) -> str:
        """Post once; the status."""
        body, headers = request_of(address, message, now)
        try:
            answer = post(self._client, address.to, body, headers, now, seconds=self._whole_s)
        except BadStatus as error:
            raise _refusal(error) from error
        except AddressRefused as error:
            raise SendError(str(error), permanent=True) from error
        except HttpError as error:
            raise SendError(str(error)) from error
        return f"answered {answer.status}"


def _refusal(error: BadStatus) -> SendError:
    status, asked_s = error.answer.status, error.answer.retry_after_s
    return SendError(
        str(error),
        permanent=status in GONE,
        retry_after=None if asked_s is None else timedelta(seconds=asked_s),
    )


def request_of(address: Address, message: Message, now: datetime) -> tuple[bytes, dict[str, str]]:
    """Body and headers of the post."""
    headers = {NUMBER_HEADER: str(message.number)}
    if address.template is None:
        body = json.dumps(_own(message), ensure_ascii=False).encode("utf-8", "replace")
        headers["Content-Type"] = "application/json"
    else:
        body, filled = filled_template(address.template, message)
        headers |= filled
    if address.secret:
        sent = _utc(now)
        headers[TIME_HEADER] = sent
        headers[SIGNATURE_HEADER] = signature(address.secret, sent, body)
    return body, headers


def signature(secret: str, sent: str, body: bytes) -> str:
    """The signature of a body that was sent at `sent`, the text of `X-Frostshift-Time`."""
    return hmac.new(secret.encode(), sent.encode() + b"\n" + body, hashlib.sha256).hexdigest()


def filled_template(template: Template, message: Message) -> tuple[bytes, dict[str, str]]:
    """Body and headers of a template with its places filled in, each escaped for where it stands."""
    values = _values(message)
    escape = ESCAPES[template.content_type]
    body = Places(template.body).substitute({key: escape(value) for key, value in values.items()})
    in_header = {key: one_line(value, MOST_HEADER) for key, value in values.items()}
    headers = {
        name: Places(value).substitute(in_header).encode("ascii", "replace").decode()
        for name, value in template.headers
    }
    return body.encode("utf-8", "replace"), {**headers, "Content-Type": f"{template.content_type}; charset=utf-8"}


def places_of(text: str) -> set[str]:
    """The places that a text of a template has.

    Raises:
        ValueError: a dollar sign that begins no place.
    """
    places = Places(text)
    if not places.is_valid():
        raise ValueError("a dollar sign that begins no place; one that is meant is written twice")
    return set(places.get_identifiers())


def _values(message: Message) -> dict[str, str]:
    return {
        "first_line": _clean(message.first_line),
        "text": _clean(message.text),
        "number": str(message.number),
        "link": message.answer_link,
        "site": message.site_id,
        "site_name": _clean(message.site_name),
        "crew": _clean(message.crew),
        "kinds": ", ".join(message.kinds),
        "urgency": message.urgency,
        "person": _clean(message.person),
        "turn": str(message.turn),
        "made": _utc(message.made_utc),
        "by": "" if message.by_utc is None else _utc(message.by_utc),
    }


def _own(message: Message) -> dict[str, object]:
    return {
        "format": FORMAT,
        "number": message.number,
        "delivery": message.delivery_id,
        "turn": message.turn,
        "test": message.number == 0,
        "site": message.site_id,
        "site_name": message.site_name,
        "crew": message.crew,
        "kinds": list(message.kinds),
        "urgency": message.urgency,
        "person": message.person,
        "first_line": message.first_line,
        "text": message.text,
        "html": message.html,
        "answer_link": message.answer_link,
        "made_utc": _utc(message.made_utc),
        "by_utc": None if message.by_utc is None else _utc(message.by_utc),
    }


def _clean(text: str) -> str:
    """Control characters but the line's end, and lone surrogates, out."""
    return re.sub(r"[\x00-\x09\x0b-\x1f\x7f-\x9f]", " ", text.encode("utf-8", "replace").decode())


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
