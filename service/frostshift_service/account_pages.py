"""Signing in and out, one's own account, who may do what at a site, all accounts, and the log of changes to all that.

Opening a one-time link signs nobody in: mail programs open links by themselves. Its page has a button that does.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from typing import Annotated, Any, Final, Literal
from urllib.parse import quote, urlsplit
from zoneinfo import ZoneInfo

from fastapi import APIRouter, BackgroundTasks, Form, HTTPException, Path, Query, Request
from fastapi.responses import Response
from sqlmodel import Session

from frostshift_service.door import ENTER_PATH, cookie_name, is_secure
from frostshift_service.pages import render, see
from frostshift_service.passwords import MOST, hash_of, is_outdated, is_password, password_problem
from frostshift_service.rights import ROLES, SCOPES, Role
from frostshift_service.senders import Mailer
from frostshift_service.store import accounts as kept
from frostshift_service.store.audit import audit_lines, write_audit
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.machine_tokens import machine_tokens_of, new_machine_token, revoke_machine_token
from frostshift_service.store.records import StoreError
from frostshift_service.store.sites import load_site, load_sites
from frostshift_service.views.accounts import (
    SCOPE_TEXTS,
    UNITS_TEXTS,
    AccessPage,
    AccountPage,
    AccountsPage,
    AuditPage,
    access_page,
    account_line,
    account_page,
    accounts_table,
    audit_entry,
    audit_table,
)
from frostshift_service.views.desk import Desk
from frostshift_service.views.files import csv_bytes
from frostshift_service.views.show import Show
from frostshift_service.web import DeskDep, SiteId, file_answer, log_change, sentence

log = logging.getLogger(__name__)
router = APIRouter()


LOG_LINES: Final = 100
LOG_FILE_LINES: Final = 50_000
FRESH: Final = timedelta(minutes=30)
"""So long after a one-time link a password may be set without the old one."""
FREE_BY_ACCOUNT: Final = 5
"""Attempts at one account without a pause; ours, as the next two."""
FREE_BY_ADDRESS: Final = 30
"""Attempts from one network address without a pause: a whole trailer may share it."""
FREE_LINKS: Final = 3
"""Links that one account may be mailed without a pause."""
MAIL_SAID: Final = (
    "If there is an account with this mail address, a link is on its way to it. It works once, within a day."
)

_ERRORS: Final[dict[int | str, dict[str, Any]]] = {401: {"description": "no session"}, 403: {"description": "no right"}}
Typed = Annotated[str, Form(max_length=300, pattern=r"^[^\x00]*$")]
Password = Annotated[str, Form(max_length=MOST * 4)]
Next = Annotated[str, Form(max_length=500)]
Id = Annotated[int, Path(ge=1, le=2**31 - 1)]


def _mailer(request: Request) -> Mailer | None:
    mailer: Mailer | None = request.app.state.mailer
    return mailer


def own_path(target: str) -> str:
    """A path of ours to go on to; the start for anything else."""
    try:
        parts = urlsplit(target)
    except ValueError:
        return "/"
    ours = target.startswith("/") and not target.startswith(("//", "/\\")) and not parts.scheme and not parts.netloc
    return target if ours and target.isprintable() and "\\" not in target else "/"


def _address(request: Request) -> str:
    return request.client.host if request.client else "unknown"


def _wait_text(wait: timedelta) -> str:
    seconds = int(wait.total_seconds()) + 1
    return f"{seconds} seconds" if seconds < 120 else f"{-(-seconds // 60)} minutes"


def _later(answer: Response, wait: timedelta) -> Response:
    answer.headers["Retry-After"] = str(int(wait.total_seconds()) + 1)
    return answer


# Coming in


def _sign_in_page(
    request: Request, status: int = 200, *, said: str = "", problem: str = "", email: str = "", target: str = "/"
) -> Response:
    return render(
        "sign_in.html",
        status,
        who=None,
        said=said,
        problem=problem,
        email=email,
        target=own_path(target),
        mails=_mailer(request) is not None,
    )


def sign_in_page_for(request: Request, problem: str) -> Response:
    """The form in the place of a page that asks for somebody we know; it leads on to that page."""
    target = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    return _sign_in_page(request, 401, problem=problem, target=target if request.method == "GET" else "/")


@router.get("/sign-in", include_in_schema=False)
def sign_in_page(request: Request, next: Annotated[str, Query(max_length=500)] = "/") -> Response:
    """The form to sign in."""
    return _sign_in_page(request, target=next)


@router.post("/sign-in", include_in_schema=False)
def sign_in(request: Request, desk: DeskDep, email: Typed, password: Password, next: Next = "/") -> Response:
    """Sign in with a mail address and a password."""
    now = desk.now()
    mail = email.strip().casefold()
    by_address = f"address {_address(request)}"
    with writing(desk.engine) as session:
        wait = kept.count_attempt(session, by_address, FREE_BY_ADDRESS, now=now)
        # Who has to wait by his network address adds nothing to what is kept.
        wait = wait or kept.count_attempt(session, f"account {mail}", FREE_BY_ACCOUNT, now=now)
    if wait:
        problem = f"Too many attempts: wait {_wait_text(wait)}, or ask for a link."
        return _later(_sign_in_page(request, 429, problem=problem, email=email, target=next), wait)
    with reading(desk.engine) as session:
        account = kept.by_mail(session, mail)
        hashed = None if account is None else kept.password_hash_of(session, account.id)
    if not is_password(hashed, password) or account is None or hashed is None:
        log.info("sign-in refused from %s", _address(request))
        problem = "Mail address and password do not go together."
        return _sign_in_page(request, 401, problem=problem, email=email, target=next)
    renewed = hash_of(password) if is_outdated(hashed) else None
    with writing(desk.engine) as session:
        kept.forget_attempts(session, f"account {mail}")
        kept.give_back(session, by_address)
        if renewed is not None:
            kept.refresh_hash(session, account.id, renewed)
        return _entered(request, session, account, by_link=False, target=next, now=now)


@router.post("/sign-in/link", include_in_schema=False)
def ask_for_link(request: Request, desk: DeskDep, tasks: BackgroundTasks, email: Typed, next: Next = "/") -> Response:
    """Mail a one-time link. The answer is the same whether there is such an account."""
    mailer = _mailer(request)
    if mailer is None:
        return _sign_in_page(request, 409, problem="No mail is sent by this installation.", email=email, target=next)
    now, mail = desk.now(), email.strip().casefold()
    with writing(desk.engine) as session:
        wait = kept.count_attempt(session, f"links to {_address(request)}", FREE_BY_ADDRESS, now=now)
        wait = wait or kept.count_attempt(session, f"link {mail}", FREE_LINKS, now=now)
        account = None if wait else kept.by_mail(session, mail)
        if account is not None:
            link = _link(request, kept.new_entry_link(session, account.id, now=now, proves=True))
            tasks.add_task(_mail_link, mailer, account, account.email or "", link, now)
    if wait:
        problem = f"A link was asked for several times: wait {_wait_text(wait)}."
        return _later(_sign_in_page(request, 429, problem=problem, email=email, target=next), wait)
    answer = _sign_in_page(request, said=MAIL_SAID, email=email, target=next)
    answer.background = tasks
    return answer


def _link(request: Request, secret: str) -> str:
    """A one-time link as it goes out."""
    return _whole(request, f"{ENTER_PATH}?token={secret}")


def _mail_link(mailer: Mailer, account: kept.Account, to: str, link: str, now: datetime) -> None:
    """In the background, so that the time of the answer says nothing of whether there is the account."""
    text = (
        f"{account.name}, this link signs you in to Frostshift, once, within a day:\n\n{link}\n\n"
        "If you did not ask for it, leave it alone: nothing happens.\n"
    )
    try:
        mailer(to, account.name, "Your link to sign in", text, now)
    except Exception as error:  # nobody waits for it: whatever it was is said in the log
        log.warning("a link to sign in could not be mailed: %s", error)


def _whole(request: Request, path: str) -> str:
    base = request.app.state.settings.pages_url or str(request.base_url)
    return f"{base.rstrip('/')}{path}"


@router.get(ENTER_PATH, include_in_schema=False)
def enter_page(token: Annotated[str, Query(max_length=200)] = "") -> Response:
    """The page of a one-time link, with the button that uses it."""
    return render("enter.html", who=None, token=token)


@router.post(ENTER_PATH, include_in_schema=False)
def enter(request: Request, desk: DeskDep, token: Typed = "") -> Response:
    """Use a one-time link."""
    now = desk.now()
    with writing(desk.engine) as session:
        account = kept.use_entry_link(session, token, now=now)
        if account is not None:
            target = "/" if account.has_password else "/account"
            return _entered(request, session, account, by_link=True, target=target, now=now)
    problem = "This link is not valid or was used already: a link signs one browser in, once, within a day."
    return _sign_in_page(request, 401, problem=problem)


def _is_secure(request: Request) -> bool:
    return is_secure(request.headers.get("host", ""), request.app.state.settings.pages_url)


def _forget(request: Request, answer: Response) -> None:
    """Take the session's cookie from the browser."""
    secure = _is_secure(request)
    answer.delete_cookie(cookie_name(secure=secure), secure=secure, httponly=True, samesite="lax")


def _entered(
    request: Request, session: Session, account: kept.Account, *, by_link: bool, target: str, now: datetime
) -> Response:
    browser = request.headers.get("user-agent", "")
    secret = kept.new_session(session, account.id, browser=browser, by_link=by_link, now=now)
    how = "one-time link" if by_link else "password"
    write_audit(session, now=now, by=account.name, what="signed in", detail=f"by {how}, from {_address(request)}")
    answer = see(own_path(target))
    secure = _is_secure(request)
    answer.set_cookie(
        cookie_name(secure=secure),
        secret,
        max_age=int(kept.LONGEST.total_seconds()),
        httponly=True,
        secure=secure,
        samesite="lax",  # a link in a mail may lead to a page; no change is made by following one
    )
    return answer


# One's own account


def _local(desk: Desk, session: Session) -> Show:
    """Times by the clock of the sites of whoever asks; in UTC where there is none, or they lie in several zones."""
    zones = {one.site.zone for one in load_sites(session) if desk.who.knows(one.site.id)}
    return Show("si", ZoneInfo(zones.pop() if len(zones) == 1 else "UTC"))


def _own(request: Request, desk: Desk) -> tuple[kept.Account, AccountPage]:
    account_id = desk.who.account_id
    assert account_id is not None  # the path asks for an account
    this = request.state.browser
    with reading(desk.engine) as session:
        account = kept.account_of(session, account_id)
        browsers = kept.sessions_of(session, account_id, now=desk.now())
        return account, account_page(account, browsers, this and this.key, _local(desk, session))


def _may_set_freely(request: Request, account: kept.Account, now: datetime) -> bool:
    """Whether a password may be set without the old one: there is none, or a one-time link was used just now."""
    browser = request.state.browser
    return not account.has_password or (browser is not None and browser.by_link and now - browser.made_utc <= FRESH)


def _own_page(
    request: Request, desk: Desk, status: int = 200, *, problem: str = "", said: str = "", typed: Any = None
) -> Response:
    account, page = _own(request, desk)
    return render(
        "account.html",
        status,
        who=desk.who,
        page=page,
        problem=problem,
        said=said,
        typed=typed or {"name": page.name, "email": page.email or "", "units": page.units or ""},
        units_texts=UNITS_TEXTS,
        asks_old=not _may_set_freely(request, account, desk.now()),
    )


@router.get("/account", include_in_schema=False)
def own_account(request: Request, desk: DeskDep) -> Response:
    """One's own account."""
    return _own_page(request, desk)


@router.get("/account.json", responses=_ERRORS)
def own_account_json(request: Request, desk: DeskDep) -> AccountPage:
    """One's own account: name, units, roles, the browsers it is signed in on."""
    return _own(request, desk)[1]


@router.post("/account", include_in_schema=False)
def change_own(
    request: Request,
    desk: DeskDep,
    tasks: BackgroundTasks,
    name: Typed,
    email: Typed = "",
    units: Literal["", "us", "si", "both"] = Form(""),
) -> Response:
    """Name, mail address and units.

    A new address counts once a link that was mailed to it is used: otherwise somebody could lie in wait under the
    address of a person who is let in later. Without a mail server only an owner changes his own, on his word.
    """
    account, _ = _own(request, desk)
    now, mailer = desk.now(), _mailer(request)
    typed = {"name": name, "email": email, "units": units}
    address = email.strip().casefold()
    moves = address != (account.email or "")
    problem = _mail_problem(request, account, address, now) if moves else ""
    if problem:
        return _own_page(request, desk, 403, problem=problem, typed=typed)
    said = ""
    try:
        with writing(desk.engine) as session:
            kept.change_account(session, account.id, name=name, units=units or None)
            detail = f"{account.name}: now {name}, units {units or 'of the site'}"
            for site_id in ("", *account.roles):
                write_audit(session, now=now, by=account.name, site_id=site_id, what="account", detail=detail)
            if moves and mailer is not None:
                link = _link(request, kept.new_entry_link(session, account.id, now=now, email=address))
                tasks.add_task(_mail_link, mailer, account, address, link, now)
                said = f"A link is on its way to {address}: the address counts once you have used it."
            elif moves:
                kept.set_mail(session, account.id, address)
                write_audit(session, now=now, by=account.name, what="account", detail=f"{account.name}: {address}")
    except (kept.MailTaken, kept.NameTaken) as error:
        return _own_page(request, desk, 409, problem=sentence(error), typed=typed)
    except StoreError as error:
        return _own_page(request, desk, 422, problem=sentence(error), typed=typed)
    if not said:
        return see("/account")
    answer = _own_page(request, desk, said=said)
    answer.background = tasks
    return answer


def _mail_problem(request: Request, account: kept.Account, address: str, now: datetime) -> str:
    """Why somebody may not have another mail address; empty where he may."""
    if not address:
        return "Without a mail address you could not sign in."
    if account.email is not None and not _may_set_freely(request, account, now):
        return "To change the mail address, sign in by a one-time link first: whoever finds this page open must not."
    if _mailer(request) is None and not account.owner:
        return (
            "No mail is sent by this installation, so that nobody can show that an address is his: ask the "
            "superintendent to let you in under the new one."
        )
    return ""


@router.post("/account/password", include_in_schema=False)
def change_password(request: Request, desk: DeskDep, new: Password, again: Password, old: Password = "") -> Response:
    """A new password; every other browser is signed out."""
    account, _ = _own(request, desk)
    now = desk.now()
    if account.email is None:
        return _own_page(request, desk, 409, problem="Write down your mail address first: you sign in with it.")
    if not _may_set_freely(request, account, now):
        with writing(desk.engine) as session:
            wait = kept.count_attempt(session, f"password {account.id}", FREE_BY_ACCOUNT, now=now)
        if wait:
            return _own_page(request, desk, 429, problem=f"Too many attempts: wait {_wait_text(wait)}.")
        with reading(desk.engine) as session:
            hashed = kept.password_hash_of(session, account.id)
        if not is_password(hashed, old):
            return _own_page(request, desk, 422, problem="The old password is not right; nothing was changed.")
    problem = password_problem(new, account.name, account.email, account.email.partition("@")[0])
    if not problem and new != again:
        problem = "The two are not the same; nothing was changed."
    if problem:
        return _own_page(request, desk, 422, problem=problem)
    hashed, browser = hash_of(new), request.state.browser
    with writing(desk.engine) as session:
        kept.set_password(session, account.id, hashed, keep=None if browser is None else browser.key)
        kept.forget_attempts(session, f"password {account.id}")
        write_audit(session, now=now, by=account.name, what="password", detail="set; other browsers signed out")
    return _own_page(request, desk, said="The password is set. Every other browser is signed out.")


@router.post("/account/sign-out", include_in_schema=False)
def sign_out(request: Request, desk: DeskDep) -> Response:
    """Sign this browser out."""
    browser = request.state.browser
    if browser is not None and desk.who.account_id is not None:
        with writing(desk.engine) as session:
            kept.end_session(session, desk.who.account_id, browser.key)
    answer = see("/sign-in")
    _forget(request, answer)
    return answer


@router.post("/account/sign-out-everywhere", include_in_schema=False)
def sign_out_everywhere(request: Request, desk: DeskDep) -> Response:
    """Sign out on every browser, this one too."""
    assert desk.who.account_id is not None
    with writing(desk.engine) as session:
        kept.end_sessions(session, desk.who.account_id)
        log_change(session, desk, "signed out", "everywhere")
    answer = see("/sign-in")
    _forget(request, answer)
    return answer


@router.post("/account/browsers/{key}/end", include_in_schema=False)
def end_browser(desk: DeskDep, key: Annotated[str, Path(max_length=64)]) -> Response:
    """Sign one other browser out."""
    assert desk.who.account_id is not None
    with writing(desk.engine) as session:
        kept.end_session(session, desk.who.account_id, key)
    return see("/account")


# Who may do what at a site


def _access(desk: Desk, site_id: str, *, log_lines: int = LOG_LINES) -> AccessPage:
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
        found = kept.accounts(session, site_id=site_id)
        tokens = machine_tokens_of(session, site_id)
        lines = audit_lines(session, site_id=site_id, newest=log_lines)
    return access_page(site_id, site.site.name, found, tokens, lines, desk.show(site))


def _access_page(
    request: Request,
    desk: Desk,
    site_id: str,
    status: int = 200,
    *,
    problem: str = "",
    said: str = "",
    secret: str = "",
    typed: Any = None,
) -> Response:
    """`secret` is a link or token, shown this once."""
    return render(
        "access.html",
        status,
        who=desk.who,
        page=_access(desk, site_id),
        problem=problem,
        said=said,
        secret=secret,
        typed=typed or {"name": "", "email": "", "role": ""},
        scope_texts=SCOPE_TEXTS,
        mails=_mailer(request) is not None,
    )


@router.get("/sites/{site_id}/access", include_in_schema=False)
def access(request: Request, desk: DeskDep, site_id: SiteId) -> Response:
    """Who may do what at a site."""
    return _access_page(request, desk, site_id)


@router.get("/sites/{site_id}/access.json", responses=_ERRORS)
def access_json(desk: DeskDep, site_id: SiteId) -> AccessPage:
    """Who may do what at a site, its tokens without their secrets, and the log of changes."""
    return _access(desk, site_id)


@router.get("/sites/{site_id}/access.csv", responses=_ERRORS, response_class=Response)
def access_csv(desk: DeskDep, site_id: SiteId) -> Response:
    """The site's log of changes as CSV (UTF-8 with its mark)."""
    page = _access(desk, site_id, log_lines=LOG_FILE_LINES)
    return file_answer(csv_bytes(audit_table(page.log)), "csv", f"{site_id}-changes")


def _role(role: str) -> Role:
    found = next((one for one in ROLES if one == role), None)
    if found is None:
        raise HTTPException(422, f"role is {role[:40]!r}, expected one of {', '.join(ROLES)}.")
    return found


@router.post("/sites/{site_id}/access", include_in_schema=False)
def invite(
    request: Request, desk: DeskDep, tasks: BackgroundTasks, site_id: SiteId, name: Typed, email: Typed, role: Typed
) -> Response:
    """Give somebody a role; who has no account gets one, and a link.

    The link of an account that was there before is mailed and never shown: whoever gives a role here must not be able
    to sign in as somebody who is more elsewhere. Nor is a role given to an account of another site that nobody has
    proven: its maker there may still hold its link.
    """
    wanted, now, said, secret = _role(role), desk.now(), "", ""
    typed = {"name": name, "email": email, "role": role}
    try:
        with writing(desk.engine) as session:
            account = kept.by_mail(session, email)
            is_new = account is None
            if account is not None and not (account.proven or desk.who.owner or site_id in account.roles):
                raise StoreError(
                    f"{account.email} was let in at another site and has not shown yet that this address is his: ask "
                    "an owner to give the role"
                )
            if account is None:
                account = kept.add_account(session, email, name, now=now)
            kept.set_role(session, site_id, account.id, wanted)
            detail = f"{account.name} ({account.email}): {wanted}"
            log_change(session, desk, "role", detail, site_id)
            said = f"{account.name} is {wanted} here."
            if is_new:
                mailer = _mailer(request)
                proves = mailer is not None or desk.who.owner
                link = _link(request, kept.new_entry_link(session, account.id, now=now, proves=proves))
                if mailer is None:
                    secret = link
                    said += " No mail is sent by this installation: hand this link over; it works once, within a day."
                else:
                    tasks.add_task(_mail_link, mailer, account, account.email or "", link, now)
                    said += f" A link to sign in is on its way to {account.email}."
    except StoreError as error:
        return _access_page(request, desk, site_id, 422, problem=sentence(error), typed=typed)
    answer = _access_page(request, desk, site_id, said=said, secret=secret)
    answer.background = tasks
    return answer


@router.post("/sites/{site_id}/access/tokens", include_in_schema=False)
def make_token(
    request: Request,
    desk: DeskDep,
    site_id: SiteId,
    name: Typed,
    scope: Annotated[list[str] | None, Form(max_length=len(SCOPES))] = None,
) -> Response:
    """A token for a program, shown once."""
    scopes = scope or []
    try:
        with writing(desk.engine) as session:
            secret = new_machine_token(session, site_id, name, scopes, by=desk.who.name, now=desk.now())
            detail = f"{name.strip()}: {', '.join(scopes)}"
            log_change(session, desk, "token made", detail, site_id)
    except StoreError as error:
        return _access_page(request, desk, site_id, 422, problem=sentence(error))
    said = "The token, shown once. A program sends it with every request, in the header: Authorization: Bearer TOKEN"
    return _access_page(request, desk, site_id, said=said, secret=secret)


@router.post("/sites/{site_id}/access/tokens/{token_id}/revoke", include_in_schema=False)
def revoke_token(desk: DeskDep, site_id: SiteId, token_id: Id) -> Response:
    """Let a token count no more."""
    with writing(desk.engine) as session:
        token = revoke_machine_token(session, site_id, token_id, now=desk.now())
        log_change(session, desk, "token ended", token.name, site_id)
    return see(f"/sites/{quote(site_id, safe='')}/access")


@router.post("/sites/{site_id}/access/{account_id}", include_in_schema=False)
def change_role(desk: DeskDep, site_id: SiteId, account_id: Id, role: Typed) -> Response:
    """Another role at the site; `none` takes it away."""
    wanted = None if role == "none" else _role(role)
    with writing(desk.engine) as session:
        account = kept.account_of(session, account_id)
        if site_id not in account.roles:  # who is nobody here is invited, not found by counting
            raise kept.UnknownAccount(f"there is no account {account_id} at this site")
        kept.set_role(session, site_id, account_id, wanted)
        detail = f"{account.name}: {wanted or 'nothing any more'}"
        log_change(session, desk, "role", detail, site_id)
    gone = account_id == desk.who.account_id and wanted != "superintendent" and not desk.who.owner
    return see("/" if gone else f"/sites/{quote(site_id, safe='')}/access")


# All accounts


def _accounts(desk: Desk) -> AccountsPage:
    with reading(desk.engine) as session:
        show = _local(desk, session)
        return AccountsPage(tuple(account_line(one, None, show) for one in kept.accounts(session)))


def _accounts_page(desk: Desk, status: int = 200, *, problem: str = "", said: str = "", secret: str = "") -> Response:
    return render(
        "accounts.html",
        status,
        who=desk.who,
        page=_accounts(desk),
        problem=problem,
        said=said,
        secret=secret,
    )


@router.get("/accounts", include_in_schema=False)
def all_accounts(desk: DeskDep) -> Response:
    """All accounts."""
    return _accounts_page(desk)


@router.get("/accounts.json", responses=_ERRORS)
def all_accounts_json(desk: DeskDep) -> AccountsPage:
    """All accounts, closed ones too."""
    return _accounts(desk)


@router.get("/accounts.csv", responses=_ERRORS, response_class=Response)
def all_accounts_csv(desk: DeskDep) -> Response:
    """All accounts as CSV (UTF-8 with its mark)."""
    return file_answer(csv_bytes(accounts_table(_accounts(desk).accounts)), "csv", "accounts")


@router.post("/accounts", include_in_schema=False)
def add_owner(request: Request, desk: DeskDep, name: Typed, email: Typed) -> Response:
    """One more owner."""
    try:
        with writing(desk.engine) as session:
            account = kept.add_account(session, email, name, now=desk.now(), owner=True)
            log_change(session, desk, "owner", f"{account.name}, {email}")
            link = _link(request, kept.new_entry_link(session, account.id, now=desk.now(), proves=True))
    except StoreError as error:
        return _accounts_page(desk, 422, problem=sentence(error))
    return _accounts_page(desk, said=_HAND_OVER.format(account.name), secret=link)


_HAND_OVER: Final = "A link that signs {} in, once, within a day. Hand it over to nobody else."


@router.post("/accounts/{account_id}", include_in_schema=False)
def change_any(
    desk: DeskDep,
    account_id: Id,
    action: Annotated[Literal["close", "open", "owner", "no_owner", "sign_out"], Form()],
) -> Response:
    """Close an account or open it again, make somebody an owner or no longer one, sign somebody out everywhere."""
    try:
        with writing(desk.engine) as session:
            account = kept.account_of(session, account_id)
            if action == "close":
                kept.close_account(session, account_id, now=desk.now())
            elif action == "open":
                kept.open_account(session, account_id)
            elif action == "sign_out":
                kept.end_sessions(session, account_id)
            else:
                kept.set_owner(session, account_id, owner=action == "owner")
            detail = f"{account.name}: {action.replace('_', ' ')}"
            log_change(session, desk, "account", detail)
    except kept.UnknownAccount:
        raise
    except StoreError as error:
        return _accounts_page(desk, 409, problem=sentence(error))
    return see("/accounts")


@router.post("/accounts/{account_id}/link", include_in_schema=False)
def link_of_any(request: Request, desk: DeskDep, account_id: Id) -> Response:
    """A one-time link of an account, shown once, for an owner to hand over."""
    with writing(desk.engine) as session:
        account = kept.account_of(session, account_id)
        if account.closed_utc is not None:
            raise HTTPException(409, f"The account of {account.name} is closed: open it first.")
        link = _link(request, kept.new_entry_link(session, account_id, now=desk.now(), proves=True))
        log_change(session, desk, "link", f"made for {account.name}")
    return _accounts_page(desk, said=_HAND_OVER.format(account.name), secret=link)


def _log(desk: Desk, newest: int) -> AuditPage:
    with reading(desk.engine) as session:
        show = _local(desk, session)
        return AuditPage(tuple(audit_entry(line, show) for line in audit_lines(session, newest=newest)), show.zone.key)


@router.get("/audit", include_in_schema=False)
def audit(desk: DeskDep) -> Response:
    """The log of changes to accounts, rights and settings of all sites."""
    return render("audit.html", who=desk.who, page=_log(desk, LOG_LINES * 5))


@router.get("/audit.json", responses=_ERRORS)
def audit_json(desk: DeskDep) -> AuditPage:
    """The log of changes to accounts, rights and settings of all sites, the newest first."""
    return _log(desk, LOG_LINES * 5)


@router.get("/audit.csv", responses=_ERRORS, response_class=Response)
def audit_csv(desk: DeskDep) -> Response:
    """The log as CSV (UTF-8 with its mark)."""
    return file_answer(csv_bytes(audit_table(_log(desk, LOG_FILE_LINES).log)), "csv", "changes")
