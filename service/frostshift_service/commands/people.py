"""The commands about people and notices: load who hears what, send a test message, list what was told."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final
from zoneinfo import ZoneInfo

import typer
from sqlalchemy import Engine

from frostshift_rules.notice_setup import NoticeSetup, Person
from frostshift_service import clock
from frostshift_service.commands.line import Refused, SiteOption, opened, read_bytes, senders_of, site_id_of, write_new
from frostshift_service.outbox import send_test
from frostshift_service.people_file import MAX_BYTES, people_template, read_people
from frostshift_service.store import notices
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.joints import joints_of
from frostshift_service.store.records import KeptDelivery, KeptNotice, shown_address
from frostshift_service.store.sites import load_site
from frostshift_service.views.show import plural

people_app = typer.Typer(help="Who hears what of a site.", no_args_is_help=True)
notices_app = typer.Typer(help="What people are told: a test message, the notices so far.", no_args_is_help=True)

TURNS: Final = ("", " again", " passed on")


@people_app.command("template")
def people_template_command(file: Path) -> None:
    """Write a file of people to start from, every key explained."""
    write_new(file, people_template().encode())


@people_app.command("load")
def people_load(file: Path, site: SiteOption = None) -> None:
    """Take in a file of people; it replaces all that was loaded before."""
    setup = read_people(read_bytes(file, MAX_BYTES), file.name, loopback=True)
    with opened() as (settings, engine, _jobs):
        site_id = site_id_of(engine, site)
        with writing(engine) as session:
            stays = notices.save_setup(session, site_id, setup, now=clock.utc_now())
        for line in _warnings(engine, site_id, setup, mail=settings.smtp_url is not None):
            print(f"! {line}")
        for address in stays:
            print(f"! {address} stays switched off: change it, or let a test message through.")
        print(f"{plural(len(setup.people), 'person', 'people')} of {site_id}.")


def _warnings(engine: Engine, site_id: str, setup: NoticeSetup, *, mail: bool) -> list[str]:
    """What was taken in and may not be meant."""
    with reading(engine) as session:
        crews = {joint.crew for joint in joints_of(session, site_id)}
    lines = [
        f"{person.id}: no joint of the schedule has the crew {crew!r}."
        for person in setup.people
        for crew in person.crews
        if crews and crew not in crews
    ]
    if not any(person.role == "superintendent" for person in setup.people):
        lines.append("Nobody is superintendent: nobody hears that an address refuses or a forecast cannot be used.")
    if not mail and any(one.channel == "email" for person in setup.people for one in person.addresses):
        lines.append("No mail is sent: FROSTSHIFT_SMTP_URL is not set.")
    return lines


@people_app.command("show")
def people_show(site: SiteOption = None) -> None:
    """Print who hears what; of a web address the host alone."""
    with opened() as (_, engine, _jobs), reading(engine) as session:
        site_id = site_id_of(engine, site)
        setup = notices.load_setup(session, site_id)
        off = {one.address_key: one.reason for one in notices.switched_off(session, site_id)}
    if not setup.people:
        raise Refused("Nobody hears anything yet: `frostshift people template FILE`, edit it, `people load FILE`.")
    for person in setup.people:
        print("\n".join(_person_lines(person, off)))


def _person_lines(person: Person, off: dict[str, str]) -> list[str]:
    lines = [
        f"{person.id}  {person.name}, {person.role}, units {person.units}",
        f"    crews: {', '.join(person.crews) or 'all'}",
        f"    hears of: {', '.join(person.hears_of)}" + ("" if person.least == "plain" else f"; least {person.least}"),
    ]
    if person.quiet is not None:
        lines.append(f"    quiet: {person.quiet.begin:%H:%M} to {person.quiet.until:%H:%M}")
    if person.then is not None:
        lines.append(f"    then: {person.then}")
    for address in person.addresses:
        extra = ", own template" if address.template is not None else ""
        signed = ", signed" if address.secret else ""
        state = f"  SWITCHED OFF: {off[address.key]}" if address.key in off else ""
        lines.append(f"    {address.channel}: {shown_address(address.key)}{extra}{signed}{state}")
    return lines if person.addresses else [*lines, "    reads the pages"]


@notices_app.command("test")
def notices_test(
    person: Annotated[str, typer.Argument(help="id of the person")],
    site: SiteOption = None,
) -> None:
    """Send a test message to every address of a person, once, and say what came of it."""
    with opened() as (settings, engine, _jobs), senders_of(settings) as senders:
        site_id = site_id_of(engine, site)
        with reading(engine) as session:
            setup = notices.load_setup(session, site_id)
        found = setup.person(person)
        if found is None:
            known = ", ".join(one.id for one in setup.people) or "nobody yet, see `frostshift people load`"
            raise Refused(f"There is no person {person!r}; there is {known}.")
        if not found.addresses:
            raise Refused(f"{found.name} has no address and reads the pages.")
        said = [send_test(engine, senders, site_id, person, one.key, clock.utc_now()) for one in found.addresses]
    print("\n".join(said))
    if any(line.startswith("Not sent") for line in said):
        raise typer.Exit(1)


@notices_app.command("list")
def notices_list(
    newest: Annotated[int, typer.Option(min=1, max=10_000, help="how many")] = 20,
    log: Annotated[bool, typer.Option("--log", help="the log instead: decided, sent, seen, answered")] = False,
    site: SiteOption = None,
) -> None:
    """Print the newest notices, or the log of them, the newest first; times are the site's."""
    with opened() as (_, engine, _jobs), reading(engine) as session:
        site_id = site_id_of(engine, site)
        zone = ZoneInfo(load_site(session, site_id).site.zone)
        if log:
            for line in notices.log_of(session, site_id, newest=newest):
                number = "-" if line.number is None else str(line.number)
                print(
                    f"{line.at_utc.astimezone(zone):%Y-%m-%d %H:%M}  {number:>5}  {line.what}  {line.by}: {line.detail}"
                )
            return
        found = notices.notices_of(session, site_id, newest=newest)
        sent = notices.deliveries_of(session, [one.number for one in found])
    for one in found:
        print(_notice_line(one, [row for row in sent if row.number == one.number], zone))


def _notice_line(one: KeptNotice, sent: list[KeptDelivery], zone: ZoneInfo) -> str:
    notice = one.notice
    about = ", ".join(dict.fromkeys(event.kind for event in notice.events))
    head = f"{one.number:>5}  {notice.decided_utc.astimezone(zone):%Y-%m-%d %H:%M}  {notice.urgency:<5}  {about}"
    crew = f"  {notice.crew}" if notice.crew else ""
    answered = ""
    if one.answered_utc is not None:
        answered = f"  answered {one.answered_utc.astimezone(zone):%H:%M} by {one.answered_by}"
    to = [f"         {row.person_id}{TURNS[row.turn]}, {shown_address(row.address_key)}: {_state(row)}" for row in sent]
    return "\n".join([f"{head}{crew}{answered}", *(to or ["         on the pages alone"])])


def _state(row: KeptDelivery) -> str:
    tried = f" after {plural(row.attempts, 'attempt')}" if row.attempts > 1 else ""
    return f"{row.state}{tried}" + (f" ({row.last_error})" if row.last_error else "")
