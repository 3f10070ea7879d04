"""The commands about who signs in: a one-time link from this machine, accounts and their roles."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

import typer

from frostshift_service import clock
from frostshift_service.commands.line import BY, Refused, SiteOption, opened, site_id_of
from frostshift_service.door import Door
from frostshift_service.mail_address import mail_server
from frostshift_service.rights import ROLES
from frostshift_service.senders import Mailer
from frostshift_service.senders.email import EmailSender
from frostshift_service.settings import Settings
from frostshift_service.store import accounts as kept
from frostshift_service.store.audit import write_audit
from frostshift_service.store.engine import reading, writing

account_app = typer.Typer(help="Who signs in, and what they may do.", no_args_is_help=True)


def mailer_of(settings: Settings) -> Mailer | None:
    """Sends links to sign in by the mail server of the settings; None: there is none."""
    if settings.smtp_url is None or settings.mail_from is None:
        return None
    sender = EmailSender(mail_server(settings.smtp_url.get_secret_value()), settings.mail_from)

    def send(to: str, name: str, subject: str, text: str, now: datetime) -> None:
        sender.send_plain(to, name, subject, text, now)

    return send


def base_url(settings: Settings, port: int | None = None) -> str:
    """What the address of every page begins with."""
    if settings.pages_url is not None:
        return settings.pages_url
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    return f"http://{host}:{port or settings.port}"


def sign_in(
    email: Annotated[str | None, typer.Argument(help="mail address of the account; without it an owner")] = None,
) -> None:
    """Print a link that signs in, once, within a day. Whoever may run this holds the database anyway."""
    with opened() as (settings, engine, _jobs):
        door = Door(lambda: engine, clock.utc_now)
        print(f"Open, once: {base_url(settings)}{door.new_link(email)}")


@account_app.command("list")
def account_list(site: SiteOption = None) -> None:
    """Print the accounts: of a site, or all."""
    with opened() as (_, engine, _jobs), reading(engine) as session:
        for one in kept.accounts(session, site_id=site):
            roles = ", ".join(f"{role} at {site_id}" for site_id, role in one.roles.items())
            state = "  CLOSED" if one.closed_utc is not None else ""
            may = "; ".join(text for text in ("owner" if one.owner else "", roles) if text) or "no role"
            print(f"{one.email or '(no mail address)'}  {one.name}: {may}{state}")


@account_app.command("add")
def account_add(
    email: str,
    role: Annotated[str, typer.Argument(help=f"{', '.join(ROLES)}, or owner")],
    name: Annotated[str | None, typer.Option(help="without it the mail address")] = None,
    site: SiteOption = None,
) -> None:
    """Give somebody a role at a site, with an account where there is none yet, and print a one-time link."""
    if role != "owner" and role not in ROLES:
        raise Refused(f"role is {role!r}, expected one of {', '.join(ROLES)}, or owner")
    now = clock.utc_now()
    with opened() as (settings, engine, _jobs):
        site_id = "" if role == "owner" else site_id_of(engine, site)
        with writing(engine) as session:
            account = kept.by_mail(session, email) or kept.add_account(session, email, name or email, now=now)
            if role == "owner":
                kept.set_owner(session, account.id, owner=True)
            else:
                kept.set_role(session, site_id, account.id, next(one for one in ROLES if one == role))
            detail = f"{account.name} ({account.email}): {role}"
            write_audit(session, now=now, by=BY, site_id=site_id, what="role", detail=detail)
        where = f" at {site_id}" if site_id else ""
        print(f"{account.name} is {role}{where}.")
        print(f"Open, once: {base_url(settings)}{Door(lambda: engine, clock.utc_now).new_link(account.email)}")


@account_app.command("close")
def account_close(email: str) -> None:
    """Close an account: nobody signs in with it any more, at once, everywhere."""
    now = clock.utc_now()
    with opened() as (_, engine, _jobs), writing(engine) as session:
        account = kept.by_mail(session, email)
        if account is None:
            raise Refused(f"There is no open account with the mail address {email!r}.")
        kept.close_account(session, account.id, now=now)
        write_audit(session, now=now, by=BY, what="account", detail=f"{account.name}: close")
        print(f"The account of {account.name} is closed.")
