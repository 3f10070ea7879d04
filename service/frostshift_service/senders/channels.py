"""The senders that the settings allow."""

from __future__ import annotations

import httpx

from frostshift_rules.notice_setup import Channel
from frostshift_service.mail_address import mail_server
from frostshift_service.senders import Sender, Senders
from frostshift_service.senders.email import EmailSender
from frostshift_service.senders.webhook import WebhookSender
from frostshift_service.settings import Settings


def senders_with(settings: Settings, client: httpx.Client) -> Senders:
    """Channel -> its sender; no mail without a mail server.

    Args:
        settings: of the service.
        client: from `http.make_sending_client`; the caller closes it.
    """
    found: dict[Channel, Sender] = {"webhook": WebhookSender(client)}
    if settings.smtp_url is not None and settings.mail_from is not None:
        found["email"] = EmailSender(mail_server(settings.smtp_url.get_secret_value()), settings.mail_from)
    return found
