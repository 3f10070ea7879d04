"""E-mail over SMTP (RFC 5321) with STARTTLS (RFC 3207): text and HTML of a notice in one message."""

from __future__ import annotations

import re
import secrets
import smtplib
import socket
import ssl
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from email.headerregistry import Address as Header
from email.message import EmailMessage
from email.policy import SMTP
from typing import Final

from frostshift_rules.notice_setup import Address
from frostshift_service.deadline import Deadline
from frostshift_service.mail_address import MailServer
from frostshift_service.senders import Message, SendError, one_line

REPLY_S: Final = 20.0
"""Longest wait for one reply of the server."""
WHOLE_S: Final = 60.0
"""Longest time for one mail, from connecting on."""
MOST_SUBJECT: Final = 180
MOST_SAID: Final = 200

# What says of the recipient that it does not exist or takes no mail: RFC 5321, 4.2.3 and RFC 7504. 552 (storage) and
# 554 (no reason given) do not, nor does any code at the end of the data: that is about the message.
_NO_RECIPIENT: Final = (550, 551, 553, 521, 556)
# RFC 3463: 5.1.x is about the address, 5.2.1 a mailbox that is disabled, 5.7.x policy, 5.2.2 a full mailbox.
_ENHANCED: Final = re.compile(r"\s*5\.(\d{1,3})\.(\d{1,3})\b")


class EmailSender:
    """Hands mails over to one mail server, each on a connection of its own.

    Attributes:
        server: where.
        sender: mail address they come from.
    """

    def __init__(
        self,
        server: MailServer,
        sender: str,
        *,
        context: ssl.SSLContext | None = None,
        reply_s: float = REPLY_S,
        whole_s: float = WHOLE_S,
    ) -> None:
        """A sender.

        Args:
            server: see `mail_address.mail_server`.
            sender: mail address.
            context: certificates to trust; None: the machine's.
            reply_s: longest wait for one reply [s].
            whole_s: longest time for one mail [s].
        """
        self.server, self.sender = server, sender
        self._context, self._reply_s, self._whole_s = context, reply_s, whole_s

    def send(self, address: Address, message: Message, now: datetime) -> str:  # noqa: ARG002  # as every sender
        """Hand one mail over; what the server said to it."""
        return self._sent(mail_of(message, self.sender, address.to), address.to)

    def send_plain(self, to: str, name: str, subject: str, text: str, now: datetime) -> str:
        """Hand a mail of plain text over, such as a link to sign in; what the server said to it.

        Raises:
            SendError: it was not taken over, or that is not known.
        """
        return self._sent(plain_mail(self.sender, to, name, subject, text, now), to)

    def check(self) -> str:
        """Connect and sign in, and send nothing; what the server said.

        Raises:
            SendError: that did not work.
        """
        return self._worked(lambda smtp: _text(smtp.noop()[1]))

    def _sent(self, mail: bytes, to: str) -> str:
        return self._worked(lambda smtp: self._transact(smtp, mail, to))

    def _worked(self, work: Callable[[_Smtp], str]) -> str:
        with Deadline(self._whole_s) as deadline:
            try:
                return self._signed_in(work, deadline)
            except (SendError, OSError, smtplib.SMTPException, ValueError) as error:
                if deadline.passed:  # whatever it seemed to say was half of it
                    late = f"{self._name}: cut off after {self._whole_s:g} s"
                    raise SendError(late, whole_channel=True) from error
                if isinstance(error, SendError):
                    raise
                # Greeting, HELO, signing in, our own address, the connection: nothing is wrong with the recipient.
                raise SendError(f"{self._name}: {_said(error)}", whole_channel=True) from error

    @property
    def _name(self) -> str:
        return f"mail server {self.server.host}"

    def _signed_in(self, work: Callable[[_Smtp], str], deadline: Deadline) -> str:
        context = self._context or ssl.create_default_context()
        smtp = _Smtp(deadline, context if self.server.tls == "at once" else None, self._reply_s)
        try:
            code, said = smtp.connect(self.server.host, self.server.port)
            if code != 220:
                raise smtplib.SMTPConnectError(code, said)
            smtp.ehlo_or_helo_if_needed()
            if self.server.tls == "starttls":
                smtp.starttls(context=context)
                smtp.ehlo()
            if self.server.user:
                smtp.login(self.server.user, self.server.password)
            return work(smtp)
        finally:
            smtp.close()

    def _transact(self, smtp: smtplib.SMTP, mail: bytes, to: str) -> str:
        code, said = smtp.mail(self.sender)
        if code != 250:
            raise smtplib.SMTPSenderRefused(code, said, self.sender)
        code, said = smtp.rcpt(to)
        if code not in (250, 251):
            raise self._refusal(code, said, of_recipient=True)
        try:
            code, said = smtp.data(mail)
        except smtplib.SMTPDataError as error:
            raise self._refusal(error.smtp_code, error.smtp_error, of_recipient=False) from error
        if code != 250:
            raise self._refusal(code, said, of_recipient=False)
        with suppress(OSError, smtplib.SMTPException):  # the mail is theirs already
            smtp.quit()
        return _text(said) or "accepted"

    def _refusal(self, code: int, said: bytes | str, *, of_recipient: bool) -> SendError:
        text = f"{self._name}: {code} {_text(said)}"
        return SendError(
            text, permanent=_is_permanent(code, _text(said), of_recipient=of_recipient), whole_channel=code == 421
        )


class _Smtp(smtplib.SMTP):
    """A connection whose every step, the greeting and the TLS hand-shake too, stands under a deadline."""

    def __init__(self, deadline: Deadline, at_once: ssl.SSLContext | None, timeout: float) -> None:
        self._deadline, self._at_once = deadline, at_once
        super().__init__(timeout=timeout, local_hostname="localhost")

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        self._host = host  # whose certificate STARTTLS asks for
        connection = socket.create_connection((host, port), timeout)
        self._deadline.watch(connection)
        return connection if self._at_once is None else self._at_once.wrap_socket(connection, server_hostname=host)


_PLAIN: Final = str.maketrans({"°": None, "×": "x", "³": "3", "…": "..."})
"""Signs of ours as ASCII in a subject: some phones show the encoding instead."""


def mail_of(message: Message, sender: str, to: str) -> bytes:
    """The mail as it goes over the line.

    Its Message-ID is the same for every attempt, so that programs recognise a duplicate; a program that answers mail by
    itself leaves it alone (RFC 3834).
    """
    mail = _headed(sender, to, message.person, message.first_line, message.made_utc)
    host = sender.rpartition("@")[2]
    unique = f"{message.number}.{message.delivery_id}" if message.number else f"test.{message.made_utc:%Y%m%d%H%M%S%f}"
    mail["Message-ID"] = f"<frostshift.{message.site_id}.{unique}@{host}>"
    mail["X-Frostshift-Notice"] = str(message.number)
    if message.urgency == "now":
        mail["Importance"] = "high"
    mail.set_content(_clean(message.text))
    mail.add_alternative(_clean(message.html), subtype="html")
    return mail.as_bytes()


def plain_mail(sender: str, to: str, name: str, subject: str, text: str, now: datetime) -> bytes:
    """A mail of plain text as it goes over the line."""
    mail = _headed(sender, to, name, subject, now)
    mail["Message-ID"] = f"<frostshift.{secrets.token_hex(12)}@{sender.rpartition('@')[2]}>"
    mail.set_content(_clean(text))
    return mail.as_bytes()


def _headed(sender: str, to: str, name: str, subject: str, now: datetime) -> EmailMessage:
    # Python folds a long subject so that spaces double: its line stays whole, RFC 5322 allows 998 letters.
    mail = EmailMessage(policy=SMTP.clone(cte_type="7bit", max_line_length=998))
    local, _, host = sender.rpartition("@")
    mail["From"] = Header("Frostshift", local, host)
    to_local, _, to_host = to.rpartition("@")
    mail["To"] = Header(one_line(name, 60), to_local, to_host)
    mail["Subject"] = one_line(subject, MOST_SUBJECT).translate(_PLAIN)
    mail["Date"] = now
    mail["Auto-Submitted"] = "auto-generated"
    return mail


def _clean(text: str) -> str:
    """Lone surrogates, which no mail can hold, and control characters but the line's end out."""
    kept = "".join(c for c in text if c in "\n\t" or c.isprintable())
    return kept.encode("utf-8", "replace").decode()


def _is_permanent(code: int, said: str, *, of_recipient: bool) -> bool:
    """Whether a refusal says that this recipient never takes mail; in doubt it does not.

    One wrong word would silence an address, and a rule of the server that turns all mail away all of them.
    """
    enhanced = _ENHANCED.match(said)
    if enhanced:
        subject, detail = int(enhanced[1]), int(enhanced[2])
        return code >= 500 and (subject == 1 or (subject, detail) == (2, 1))
    return of_recipient and code in _NO_RECIPIENT and "relay" not in said.lower()


def _text(said: bytes | str) -> str:
    text = said.decode("utf-8", "replace") if isinstance(said, bytes) else said
    return one_line(text, MOST_SAID)


def _said(error: Exception) -> str:
    if isinstance(error, smtplib.SMTPAuthenticationError):
        return f"{error.smtp_code}: user or password is not taken"  # some servers repeat what was sent
    if isinstance(error, smtplib.SMTPResponseException):
        return f"{error.smtp_code} {_text(error.smtp_error)}"
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return "it offers no STARTTLS or no way to sign in, and nothing is sent in the clear"
    return one_line(f"{type(error).__name__}: {error}", MOST_SAID)
