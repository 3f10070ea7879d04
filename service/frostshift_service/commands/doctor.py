"""`frostshift doctor`: looks at everything the service needs, and says what to do."""

from __future__ import annotations

from contextlib import ExitStack
from typing import Annotated

import typer

from frostshift_service import __version__, clock
from frostshift_service.commands.line import print_json
from frostshift_service.doctor import examine
from frostshift_service.doctor.findings import Bench, Finding, broken
from frostshift_service.http import bind, make_client
from frostshift_service.mail_address import mail_server
from frostshift_service.senders.email import EmailSender
from frostshift_service.settings import Settings, SettingsError, load_settings
from frostshift_service.weather.feeds import feeds_with
from frostshift_service.weather.open_meteo_api import access_of


def doctor(
    offline: Annotated[bool, typer.Option("--offline", help="ask nothing of the network but the database")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="as JSON")] = False,
) -> None:
    """Look at settings, clock, disk, database, weather services, mail, and say what to do. Changes nothing."""
    try:
        settings = load_settings()
    except SettingsError as error:
        found = [
            broken("settings", line, "Put it right; the service does not start.") for line in str(error).split("\n")
        ]
    else:
        found = _found(settings, offline=offline)
    if as_json:
        print_json(found)
    else:
        for one in found:
            print(f"{one.state:<10}  {one.about}: {one.found}")
            if one.do:
                print(f"{'':<10}  {'':<{len(one.about)}}  -> {one.do}")
    if any(one.state == "broken" for one in found):
        raise typer.Exit(1)


def _found(settings: Settings, *, offline: bool) -> list[Finding]:
    with ExitStack() as closing:
        get = mail_check = None
        if not offline and settings.contact:
            client = make_client(settings.contact, __version__, private_hosts=settings.private_hosts())
            closing.callback(client.close)
            get = bind(client, clock.utc_now())
        if not offline and settings.smtp_url is not None and settings.mail_from is not None:
            mail_check = EmailSender(mail_server(settings.smtp_url.get_secret_value()), settings.mail_from).check
        return examine(Bench(settings, clock.utc_now, get, mail_check, feeds_with(access_of(settings))))
