"""The set-up of a site on the pages: a new site, what is still missing, and one page a topic.

Every change passes `_kept_settings`, `_kept_people` or `_written`, and through all of them `_saved`. A form carries a
mark of the part of the settings that it changes: where somebody else changed that part meanwhile nothing is written,
and the page shows what stands there now beside what was typed.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Annotated, Any, Final
from urllib.parse import quote

from fastapi import APIRouter, Depends, Form, HTTPException, Path, Query, Request, UploadFile
from fastapi.responses import JSONResponse, Response
from sqlalchemy.exc import IntegrityError
from sqlmodel import Session

from frostshift_rules.job import Acceptance, Site
from frostshift_rules.notice_setup import NoticeSetup
from frostshift_rules.strict import TableError
from frostshift_rules.tables import acceptable_ids, table_name
from frostshift_rules.units import System
from frostshift_service.pages import SettingsDep, render, see
from frostshift_service.people_file import MAX_BYTES as PEOPLE_BYTES
from frostshift_service.people_file import read_people, write_people
from frostshift_service.procedure_file import MAX_BYTES as PROCEDURE_BYTES
from frostshift_service.procedure_file import ProcedureFile, procedures_csv, read_procedures, template_csv
from frostshift_service.set_up_form import PLACE, NotTaken, Typed
from frostshift_service.set_up_parts import Changed, Settings, new_site, settings_of, taken, without
from frostshift_service.set_up_topics import TOPIC, table_options
from frostshift_service.settings import Settings as ServiceSettings
from frostshift_service.site_file import MAX_BYTES as SITE_BYTES
from frostshift_service.site_file import (
    MAX_OWN_TABLES,
    SiteFile,
    SiteFileError,
    own_table_name,
    read_settings,
    read_site,
    with_what_it_had,
    write_site,
)
from frostshift_service.site_gas import write_gas
from frostshift_service.store import notices
from frostshift_service.store.audit import audit_lines, write_audit
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.forecasts import last_forecast
from frostshift_service.store.joints import joints_of
from frostshift_service.store.records import KeptSite, StoreError, UnknownSite
from frostshift_service.store.sites import (
    accept_table,
    hold_site,
    load_site,
    load_sites,
    save_procedures,
    save_site,
)
from frostshift_service.store.stock import entries_of
from frostshift_service.store.thermometer import add_token, revoke_token, tokens_of
from frostshift_service.views.desk import Desk
from frostshift_service.views.rule_table import table_list
from frostshift_service.views.set_up import Facts, SetUpPage, set_up_page
from frostshift_service.views.set_up_topic import LINKS, TopicPage, new_form, topic_page
from frostshift_service.views.set_up_topic import Form as ShownForm
from frostshift_service.views.show import plural
from frostshift_service.web import DeskDep, SiteId, file_answer

router = APIRouter()

MOST_FIELDS: Final = 200
"""Fields of one form, ticked boxes among them."""
MOST_NAME: Final = 60
_ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    401: {"description": "no session"},
    404: {"description": "no such site, or no such topic"},
}

TopicId = Annotated[str, Path(description=f"one of {', '.join(name for name, _ in LINKS)}", max_length=40)]
ItemName = Annotated[str, Query(description="entry of the list", max_length=200)]
NameField = Annotated[str, Form(max_length=200)]


async def _typed(request: Request) -> dict[str, list[str]]:
    """What a form sent, as it was typed; files are not read."""
    form = await request.form(max_files=1, max_fields=MOST_FIELDS)
    found: dict[str, list[str]] = {}
    for name, value in form.multi_items():
        if isinstance(value, str):
            found.setdefault(name, []).append(value)
    return found


TypedDep = Annotated[dict[str, list[str]], Depends(_typed)]


def _path(site_id: str, topic: str = "") -> str:
    return f"/sites/{quote(site_id, safe='')}/set-up" + (f"/{topic}" if topic else "")


def _topic_known(topic: str) -> str:
    if topic not in dict(LINKS):
        raise HTTPException(404, "There is no such page.")
    return topic


def _system(desk: Desk, site: KeptSite) -> System:
    return desk.show(site).system


def _shown_in(typed: Typed, usual: System) -> System:
    """The system of units that a form was shown in: whoever sent it may have chosen another one meanwhile."""
    known: dict[str, System] = {"us": "us", "si": "si"}
    return known.get(_first(typed, "shown_in"), usual)


# What is there --------------------------------------------------------------------------------------------------------


def _settings(session: Session, site_id: str) -> tuple[KeptSite, Settings]:
    site = load_site(session, site_id)
    return site, settings_of(site, notices.load_setup(session, site_id))


def _overview(desk: Desk, settings: ServiceSettings, site_id: str) -> SetUpPage:
    with reading(desk.engine) as session:
        facts = {
            "site": load_site(session, site_id),
            "setup": notices.load_setup(session, site_id),
            "joints": joints_of(session, site_id),
            "forecast": last_forecast(session, site_id) is not None,
            "stock_entries": len(entries_of(session, site_id)),
            "tokens": sum(1 for one in tokens_of(session, site_id) if one.revoked_utc is None),
            "refusing": len(notices.switched_off(session, site_id)),
        }
    plan = desk.planner.current_plan(site_id)
    mail = settings.smtp_url is not None
    return set_up_page(Facts(plan=plan, contact=settings.contact is not None, mail=mail, **facts))  # type: ignore[arg-type]


@router.get("/sites/{site_id}/set-up.json", responses=_ERRORS)
def overview_json(desk: DeskDep, settings: SettingsDep, site_id: SiteId) -> SetUpPage:
    """What is still missing of a site's settings, the most important first, and what there is."""
    return _overview(desk, settings, site_id)


@router.get("/sites/{site_id}/set-up", include_in_schema=False)
def overview(desk: DeskDep, settings: SettingsDep, site_id: SiteId) -> Response:
    """What is still missing, and what there is."""
    return render("set_up.html", who=desk.who, page=_overview(desk, settings, site_id))


# Files ----------------------------------------------------------------------------------------------------------------


def _download(content: str, name: str) -> Response:
    disposition = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type="application/toml; charset=utf-8", headers=disposition)


def _site_file(site: KeptSite) -> SiteFile:
    return SiteFile(site.site, site.show_units, site.feed, site.instead)


@router.get("/sites/{site_id}/set-up/site.json", responses=_ERRORS)
def settings_json(desk: DeskDep, site_id: SiteId) -> JSONResponse:
    """The settings of a site, the same as its TOML file; people are not among them."""
    with reading(desk.engine) as session:
        _, settings = _settings(session, site_id)
    return JSONResponse(_as_json(settings.site))


def _as_json(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _as_json(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_as_json(one) for one in value]
    return value if isinstance(value, str | int | float | bool) else value.isoformat()


@router.get("/sites/{site_id}/set-up/site.toml", include_in_schema=False)
def site_toml(desk: DeskDep, site_id: SiteId) -> Response:
    """The settings of a site as its file."""
    with reading(desk.engine) as session:
        return _download(write_site(_site_file(load_site(session, site_id))), f"{site_id}.toml")


@router.get("/sites/{site_id}/set-up/tables/{table_id}.toml", include_in_schema=False)
def own_table(desk: DeskDep, site_id: SiteId, table_id: Annotated[str, Path(max_length=100)]) -> Response:
    """A rule table that the site brought itself."""
    with reading(desk.engine) as session:
        site = load_site(session, site_id).site
    found = next((one for one in site.own_tables if one.id == table_id), None)
    if found is None:
        raise HTTPException(404, f"The site has no rule table {table_id!r} of its own.")
    return _download(found.text, own_table_name(found.id))


@router.get("/sites/{site_id}/set-up/gas.toml", include_in_schema=False)
def gas_toml(desk: DeskDep, site_id: SiteId) -> Response:
    """How the site uses gas, as that part of its file."""
    with reading(desk.engine) as session:
        rows = write_gas(load_site(session, site_id).site.gas)
    return _download("\n".join(rows).lstrip("\n") + "\n", f"{site_id}-gas.toml")


@router.get("/sites/{site_id}/set-up/people.toml", include_in_schema=False)
def people_toml(desk: DeskDep, site_id: SiteId) -> Response:
    """Who hears what, as a file without web addresses and secrets."""
    with reading(desk.engine) as session:
        load_site(session, site_id)
        setup = notices.load_setup(session, site_id)
    return _download(write_people(setup), f"{site_id}-people.toml")


@router.get("/sites/{site_id}/set-up/procedures.csv", responses=_ERRORS, response_class=Response)
def procedures_file(desk: DeskDep, site_id: SiteId) -> Response:
    """The welding procedures as CSV (UTF-8 with its mark), in the columns that are loaded."""
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
    return file_answer(procedures_csv(site.site.procedures, _system(desk, site)), "csv", f"{site_id}-procedures")


@router.get("/sites/{site_id}/set-up/procedures-template.csv", include_in_schema=False)
def procedures_template(desk: DeskDep, site_id: SiteId) -> Response:
    """An empty list of procedures to fill in."""
    with reading(desk.engine) as session:
        load_site(session, site_id)
    return file_answer(template_csv(), "csv", "procedures-template")


# The page of a topic --------------------------------------------------------------------------------------------------


def _page(
    desk: Desk,
    site_id: str,
    topic: str,
    *,
    name: str = "",
    begin: str = "",
    said: str = "",
    status: int = 200,
    outcome: ProcedureFile | None = None,
    refused: str = "",
    shown_secret: tuple[str, str] | None = None,
    accept: Mapping[str, str] | None = None,
    **form: Any,
) -> Response:
    with reading(desk.engine) as session:
        site, settings = _settings(session, site_id)
        tokens = tokens_of(session, site_id) if topic == "thermometer" else []
    system = _shown_in(form.get("typed") or {}, _system(desk, site))
    page = topic_page(settings, topic, system, name=name, begin=begin, **form)
    show = desk.show(site)
    return render(
        {"thermometer": "set_up_thermometer.html", "table": "set_up_table.html"}.get(topic, "set_up_topic.html"),
        status,
        who=desk.who,
        page=page,
        said=said,
        outcome=outcome,
        refused=refused,
        own_tables=[one.id for one in site.site.own_tables],
        tables=[one for one in table_list(site.site).tables if one.standing.acceptable] if topic == "table" else [],
        used_table=table_name(site.site.table_id, site.site.own_tables),
        used_id=site.site.table_id,
        fingerprints={own.id: own.fingerprint for own in site.site.own_tables},
        accept=accept or {},
        tokens=[
            {
                "id": one.id,
                "name": one.name,
                "counts": one.revoked_utc is None,
                "made": show.moment(one.made_utc, detail="year").text,
                "used": show.moment(one.last_used_utc, detail="year").text if one.last_used_utc else "never",
            }
            for one in tokens
        ],
        shown_secret=shown_secret,
    )


@router.get("/sites/{site_id}/set-up/{topic}.json", responses=_ERRORS)
def topic_json(desk: DeskDep, site_id: SiteId, topic: TopicId, item: ItemName = "") -> TopicPage:
    """One topic of a site's settings: its entries and its form; `item` is the entry that the form changes."""
    _topic_known(topic)
    with reading(desk.engine) as session:
        site, settings = _settings(session, site_id)
    return topic_page(settings, topic, _system(desk, site), name=item)


@router.get("/sites/{site_id}/set-up/{topic}", include_in_schema=False)
def topic_get(
    desk: DeskDep,
    site_id: SiteId,
    topic: TopicId,
    item: ItemName = "",
    begin: Annotated[str, Query(max_length=100)] = "",
    did: Annotated[str, Query(max_length=20)] = "",
) -> Response:
    """What there is of a topic, and its form."""
    said = {"kept": "Kept.", "gone": "Taken away.", "loaded": "Loaded.", "accepted": "Accepted."}.get(did, "")
    return _page(desk, site_id, _topic_known(topic), name=item, begin=begin, said=said)


# Changes --------------------------------------------------------------------------------------------------------------


def _saved(session: Session, *, now: datetime, by: str, site_id: str, what: str, detail: str) -> None:
    """Every change of settings on the pages passes here, in its own transaction, once it is written."""
    session.flush()  # what the database refuses is not logged
    write_audit(session, now=now, by=by, site_id=site_id, what=f"set-up: {what}", detail=detail)


def _kept_settings(desk: Desk, session: Session, file: SiteFile, what: str, detail: str) -> None:
    save_site(session, file.site, show_units=file.show_units, feed=file.feed, instead=file.instead)
    _saved(session, now=desk.now(), by=desk.who.name, site_id=file.site.id, what=what, detail=detail)


def _kept_people(desk: Desk, session: Session, site_id: str, setup: NoticeSetup, detail: str) -> None:
    notices.save_setup(session, site_id, setup, now=desk.now())
    _saved(session, now=desk.now(), by=desk.who.name, site_id=site_id, what="people", detail=detail)


def _keep(desk: Desk, session: Session, site_id: str, topic: str, changed: Changed) -> None:
    if changed.site is not None:
        _kept_settings(desk, session, changed.site, topic, changed.what)
    if changed.people is not None:
        _kept_people(desk, session, site_id, changed.people, changed.what)


def _written(desk: Desk, site_id: str, what: str, detail: str, write: Callable[[Session], None]) -> None:
    with writing(desk.engine) as session:
        write(session)
        _saved(session, now=desk.now(), by=desk.who.name, site_id=site_id, what=what, detail=detail)


class _Stale(Exception):
    """Somebody else changed the same meanwhile; the sentence says what."""


def _first(typed: Typed, name: str) -> str:
    sent = typed.get(name, ())
    return sent[0] if sent else ""


@router.post("/sites/{site_id}/set-up/table/accept", include_in_schema=False)
def accept(
    desk: DeskDep,
    site_id: SiteId,
    table: NameField = "",
    by: NameField = "",
    checked: Annotated[str, Form(max_length=10)] = "",
) -> Response:
    """Write down that a rule table was checked against the site's own copy of the code.

    A table of the site's own is chosen by its id and its fingerprint: what is accepted is the text that was shown.
    """
    with reading(desk.engine) as session:
        site = load_site(session, site_id).site
    table_id, _, shown = table.partition(" ")
    wrong: dict[str, str] = {}
    if table_id not in acceptable_ids(site.own_tables):
        wrong["table"] = "choose a table of the list"
    if not by.strip() or len(by.strip()) > MOST_NAME or not by.strip().isprintable():
        wrong["by"] = f"say who checked it, at most {MOST_NAME} letters"
    if not checked:
        wrong["checked"] = "tick it once the table was held against your own copy of the code"
    if wrong:
        given = {"wrong": wrong, "by": by, "table": table_id, "checked": checked}
        return _page(desk, site_id, "table", status=422, accept=given)  # type: ignore[arg-type]
    given_now = Acceptance(table_id, by.strip(), desk.now().date(), shown)

    def write(session: Session) -> None:
        hold_site(session, site_id)
        if _own_fingerprint(load_site(session, site_id).site, table_id) != shown:
            raise _Stale(f"{table_id} has another text than the one you were shown: check it again, then accept it.")
        accept_table(session, site_id, given_now)

    try:
        _written(desk, site_id, "table", f"{table_id} accepted by {given_now.accepted_by}", write)
    except _Stale as error:
        again: dict[str, Any] = {
            "wrong": {"table": str(error).removesuffix(".")},
            "by": by,
            "table": table_id,
            "checked": "",
        }
        return _page(desk, site_id, "table", status=409, accept=again)
    desk.replan(site_id)
    return see(_path(site_id, "table?did=accepted"))


def _own_fingerprint(site: Site, table_id: str) -> str:
    """Of a table of the site's own; empty for one that ships."""
    return next((own.fingerprint for own in site.own_tables if own.id == table_id), "")


@router.post("/sites/{site_id}/set-up/thermometer/tokens", include_in_schema=False)
def make_token(desk: DeskDep, site_id: SiteId, name: NameField = "") -> Response:
    """Make a token for a device, and show it this once."""
    made: list[str] = []
    try:
        _written(
            desk, site_id, "thermometer", f"token {name.strip()}",
            lambda session: made.append(add_token(session, site_id, name, now=desk.now())),
        )  # fmt: skip
    except UnknownSite:
        raise
    except StoreError as error:
        return _page(desk, site_id, "thermometer", status=422, refused=f"{error}")
    return _page(desk, site_id, "thermometer", shown_secret=(name.strip(), made[0]))


@router.post("/sites/{site_id}/set-up/thermometer/tokens/{token_id}/revoke", include_in_schema=False)
def end_token(desk: DeskDep, site_id: SiteId, token_id: Annotated[int, Path(ge=1, le=2**31 - 1)]) -> Response:
    """Let a token count no more."""

    def write(session: Session) -> None:
        revoke_token(session, site_id, token_id, now=desk.now())

    _written(desk, site_id, "thermometer", f"token {token_id} revoked", write)
    return see(_path(site_id, "thermometer?did=gone"))


@router.post("/sites/{site_id}/set-up/{topic}/remove", include_in_schema=False)
def remove(desk: DeskDep, site_id: SiteId, topic: TopicId, item: NameField, was: NameField = "") -> Response:
    """Take one entry of a list away."""
    found = TOPIC.get(topic)
    if found is None or not found.key:
        raise HTTPException(404, "There is no such page.")
    try:
        with writing(desk.engine) as session:
            hold_site(session, site_id)
            _, settings = _settings(session, site_id)
            entry = settings.entry(found, item)
            if entry is not None:
                if settings.mark(found, item) != was:
                    raise _Stale(
                        f"Somebody changed {item} meanwhile: look at it before you take it away."
                        f"{_by_whom(desk, session, site_id, topic)}"
                    )
                _keep(desk, session, site_id, topic, without(settings, found, item))
    except _Stale as error:
        return _page(desk, site_id, topic, status=409, refused=str(error))
    except NotTaken as error:
        return _page(desk, site_id, topic, status=422, refused=f"{item} stays: {error.problems['']}.")
    if found.kept == "site":
        desk.replan(site_id)
    return see(_path(site_id, f"{topic}?did=gone"))


@router.post("/sites/{site_id}/set-up/{topic}", include_in_schema=False)
def change(desk: DeskDep, site_id: SiteId, topic: TopicId, typed: TypedDep) -> Response:
    """Keep what a form says, or show it again with a sentence beside every field that is wrong."""
    found = TOPIC.get(topic)
    if found is None:
        raise HTTPException(404, "There is no such page.")
    name, was, begin = (_first(typed, one) for one in ("item", "was", "begin"))
    try:
        with writing(desk.engine) as session:
            hold_site(session, site_id)
            site, settings = _settings(session, site_id)
            if settings.mark(found, name) != was:
                raise _Stale(f"{_stale_text(settings, topic, name)}{_by_whom(desk, session, site_id, topic)}")
            _keep(
                desk,
                session,
                site_id,
                topic,
                taken(settings, found, name, typed, _shown_in(typed, _system(desk, site)), begin),
            )
    except _Stale as error:
        return _page(desk, site_id, topic, name=name, begin=begin, status=409, typed=typed, stale=str(error))
    except NotTaken as error:
        given: dict[str, Any] = {"typed": typed, "problems": error.problems, "mark": was}
        return _page(desk, site_id, topic, name=name, begin=begin, status=422, **given)
    if found.kept == "site":
        desk.replan(site_id)
    return see(_path(site_id, f"{topic}?did=kept"))


def _stale_text(settings: Settings, topic: str, name: str) -> str:
    if name and settings.entry(TOPIC[topic], name) is None:
        return f"Somebody took {name} away meanwhile. What you typed is kept below: sent again it is a new one."
    return (
        "Somebody changed the same meanwhile, so nothing was kept. What you typed is still here, and what stands in "
        "the settings now is said beside it: sent again, yours counts."
    )


def _by_whom(desk: Desk, session: Session, site_id: str, topic: str) -> str:
    """Who changed a topic last, as the log of changes has it; empty where it has nobody."""
    lines = audit_lines(session, site_id=site_id, what=(f"set-up: {topic}", "set-up: file"), newest=1)
    if not lines:
        return ""
    (last,) = lines
    at = desk.show(load_site(session, site_id)).moment(last.at_utc, detail="date").text
    said = f": {last.detail}" if last.detail else ""
    return f" The log of changes has last: {last.by}, {at}{said}. What was loaded by command is not in it."


# Files that are loaded ------------------------------------------------------------------------------------------------


def _bytes_of(file: UploadFile, most: int) -> bytes:
    """A file's bytes, one more than may be where it is larger: its reader says so."""
    return file.file.read(most + 1)


@router.post("/sites/{site_id}/set-up/{topic}/load", include_in_schema=False)
def load(
    desk: DeskDep, site_id: SiteId, topic: TopicId, file: UploadFile, tables: list[UploadFile] | None = None
) -> Response:
    """Take a file in in the place of what there is of a topic: all of it, or nothing."""
    name = file.filename or "the file"
    try:
        if topic == "procedures":
            return _load_procedures(desk, site_id, file, name)
        if topic == "people":
            with writing(desk.engine) as session:
                hold_site(session, site_id)
                setup = read_people(_bytes_of(file, PEOPLE_BYTES), name, notices.load_setup(session, site_id))
                _kept_people(desk, session, site_id, setup, f"file {name}")
            return see(_path(site_id, f"{topic}?did=loaded"))
        if topic == "file":
            return _load_site(desk, site_id, file, name, tables or [])
        if topic in ("gas", "cylinders", "supply", "other-use"):
            _load_gas(desk, site_id, file, name)
            return see(_path(site_id, f"{topic}?did=loaded"))
    except (TableError, SiteFileError) as error:
        said = str(error).replace(f"{PLACE}: ", "").replace(f"{PLACE}, ", "")
        return _page(desk, site_id, topic, status=422, refused=f"Not loaded: {said}.")
    raise HTTPException(404, "There is no such page.")


def _load_procedures(desk: Desk, site_id: str, file: UploadFile, name: str) -> Response:
    read = read_procedures(_bytes_of(file, PROCEDURE_BYTES), name)
    if read.error_count:
        return _page(desk, site_id, "procedures", status=422, outcome=read)

    def write(session: Session) -> None:
        save_procedures(session, site_id, read.procedures)

    _written(desk, site_id, "procedures", f"file {name}", write)
    desk.replan(site_id)
    said = f"Loaded: {plural(len(read.procedures), 'procedure')}, in the place of the earlier list."
    return _page(desk, site_id, "procedures", outcome=read, said=said)


def _load_gas(desk: Desk, site_id: str, file: UploadFile, name: str) -> None:
    data = _bytes_of(file, SITE_BYTES)
    if len(data) > SITE_BYTES:
        raise TableError(f"{name}: more than {SITE_BYTES} bytes")
    try:
        gas = tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise TableError(f"{name}: byte {error.start + 1} is not UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise TableError(f"{name}: not readable as TOML: {error}") from error
    other = sorted(set(gas) - {"gas"})
    if other:
        raise TableError(f"{name}: unknown key '{other[0]}'; only [gas] and what stands below it is loaded here")
    with writing(desk.engine) as session:
        hold_site(session, site_id)
        _, settings = _settings(session, site_id)
        whole = {key: value for key, value in settings.site.items() if key != "gas"} | gas
        _kept_settings(desk, session, read_settings(whole, name, settings.own_tables), "gas", f"file {name}")
    desk.replan(site_id)


def _load_site(desk: Desk, site_id: str, file: UploadFile, name: str, tables: Sequence[UploadFile]) -> Response:
    if len(tables) > MAX_OWN_TABLES:
        raise TableError(f"{len(tables)} rule tables are chosen, at most {MAX_OWN_TABLES} are read")
    data = _bytes_of(file, SITE_BYTES)
    beside = {one.filename: _bytes_of(one, SITE_BYTES) for one in tables if one.filename}
    with writing(desk.engine) as session:
        hold_site(session, site_id)
        before: Site = load_site(session, site_id).site
        beside = {own_table_name(one.id): one.text.encode() for one in before.own_tables} | beside

        def read_beside(table: str) -> bytes:
            if table not in beside:
                raise TableError(f"{name}: 'own_tables' names {table!r}: choose that file too")
            return beside[table]

        read = read_site(data, name, read_beside)
        if read.site.id != site_id:
            raise TableError(f"{name}: 'id' is {read.site.id!r}, and this is the site {site_id!r}")
        site, stays = with_what_it_had(read.site, before)
        loaded = SiteFile(site, read.show_units, read.feed, read.instead)
        _kept_settings(desk, session, loaded, "file", f"file {name}")
    desk.replan(site_id)
    said = "Loaded." + (f" The file says nothing of them, so they stay: {', '.join(stays)}." if stays else "")
    lost = [one.table_id for one in site.acceptances if one.table_id not in site.accepted_ids]
    if lost:
        said += f" Not accepted any more, as its text is another: {', '.join(lost)}. Check it and accept it again."
    return _page(desk, site_id, "file", said=said)


# A new site -----------------------------------------------------------------------------------------------------------


def _new_system(desk: Desk) -> System:
    return "si" if desk.who.units == "si" else "us"


@router.get("/set-up/new", include_in_schema=False)
def new_get(desk: DeskDep) -> Response:
    """The shortest form that makes a site."""
    return _new_page(desk, new_form(_new_system(desk)), 200)


def _new_page(desk: Desk, form: ShownForm, status: int) -> Response:
    choosable = dict(table_options(None))
    tables = [one for one in table_list(None).tables if one.id in choosable]
    return render("set_up_new.html", status, who=desk.who, form=form, tables=tables)


@router.post("/set-up/new", include_in_schema=False)
def new_post(desk: DeskDep, typed: TypedDep) -> Response:
    """Make a site, or show the form again with a sentence beside every field that is wrong."""
    system = _shown_in(typed, _new_system(desk))
    try:
        with writing(desk.engine) as session:
            file = new_site(typed, [one.site.id for one in load_sites(session)], system)
            try:
                _kept_settings(desk, session, file, "site", "new")
            except IntegrityError:  # another copy of the service made it at the same moment
                said = f"there is a site {file.site.id!r} already; choose another name"
                raise NotTaken({"name": said}) from None
    except NotTaken as error:
        return _new_page(desk, new_form(system, typed, error.problems), 422)
    desk.replan(file.site.id)
    return see(_path(file.site.id))
