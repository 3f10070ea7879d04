"""Secret links of crews: each opens one thing, until it is ended."""

from __future__ import annotations

from datetime import timedelta
from typing import get_args

import pytest
from sqlalchemy import Engine
from tests.service.store.conftest import NOW

from frostshift_service.store import crew_links
from frostshift_service.store.crew_links import crew_links_of, crew_of, new_crew_token, revoke_crew_link
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.records import CrewLinkOpens, StoreError, UnknownSite, UnknownToken
from frostshift_service.store.tables import CrewLinkRow

SITE = "ore-shed"
each_kind = pytest.mark.parametrize("opens", get_args(CrewLinkOpens))


def make(store: Engine, opens: CrewLinkOpens, crew: str = "north") -> str:
    with writing(store) as session:
        return new_crew_token(session, SITE, opens, crew, now=NOW, by="Q. Arden")


@each_kind
def test_a_link_opens_until_it_is_ended(sited: Engine, opens: CrewLinkOpens) -> None:
    secret, other = make(sited, opens), make(sited, opens, "")
    with reading(sited) as session:
        found = crew_of(session, opens, secret)
        assert found is not None
        assert (found.site_id, found.crew, found.made_by, found.revoked_utc) == (SITE, "north", "Q. Arden", None)
        assert crew_of(session, opens, secret[:-1]) is None
        assert crew_of(session, opens, "") is None
        row = session.get(CrewLinkRow, found.id)
        assert row is not None
        assert secret not in str(row.model_dump())  # only its digest is kept
    with writing(sited) as session:
        revoke_crew_link(session, SITE, opens, found.id, now=NOW, by="R. Moss")
        again = revoke_crew_link(session, SITE, opens, found.id, now=NOW + timedelta(hours=1), by="somebody")
    assert (again.revoked_utc, again.revoked_by) == (NOW, "R. Moss")
    with reading(sited) as session:
        assert crew_of(session, opens, secret) is None
        assert crew_of(session, opens, other) is not None
        assert [one.crew for one in crew_links_of(session, SITE, opens)] == ["north", ""]


def test_a_link_opens_nothing_else(sited: Engine) -> None:
    page, calendar = make(sited, "page"), make(sited, "calendar")
    with writing(sited) as session:
        assert crew_of(session, "calendar", page) is None
        assert crew_of(session, "page", calendar) is None
        (of_page,), (of_calendar,) = (crew_links_of(session, SITE, opens) for opens in ("page", "calendar"))
        with pytest.raises(UnknownToken, match=f"no link {of_page.id} to crews' calendars"):
            revoke_crew_link(session, SITE, "calendar", of_page.id, now=NOW, by="")
        with pytest.raises(UnknownToken, match=f"no link {of_calendar.id} to crews' pages"):
            revoke_crew_link(session, SITE, "page", of_calendar.id, now=NOW, by="")
        with pytest.raises(UnknownToken):
            revoke_crew_link(session, "elsewhere", "page", of_page.id, now=NOW, by="")


@each_kind
def test_links_that_cannot_be(sited: Engine, opens: CrewLinkOpens) -> None:
    with pytest.raises(StoreError, match="crew is 'a.nb', at most 100 printable letters"):
        make(sited, opens, "a\nb")
    with pytest.raises(UnknownSite), writing(sited) as session:
        new_crew_token(session, "nowhere", opens, "north", now=NOW, by="")
    with pytest.raises(UnknownToken, match="no link 7 to"), writing(sited) as session:
        revoke_crew_link(session, SITE, opens, 7, now=NOW, by="")


def test_so_many_of_a_kind_and_no_more(sited: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(crew_links, "MAX_LINKS", 1)
    make(sited, "page")
    make(sited, "calendar")
    with pytest.raises(StoreError, match="has 1 links to crews' calendars, at most 1"):
        make(sited, "calendar")
