"""Accounts in the store: all of them with what they are at sites, by one question to the database."""

from __future__ import annotations

from dataclasses import replace

from sqlalchemy import Engine, event
from tests.service.store.conftest import NOW

from frostshift_rules.job import Site
from frostshift_service.store.accounts import account_of, accounts, add_account, set_role
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.sites import save_site


def test_all_accounts_with_their_roles_are_one_question(sited: Engine, site: Site) -> None:
    with writing(sited) as session:
        save_site(session, replace(site, id="quay"))
        ids = [add_account(session, f"{name}@site.example", name, now=NOW).id for name in ("Tam", "rowan", "Quill")]
        for site_id in ("quay", "ore-shed"):
            set_role(session, site_id, ids[0], "crew")
        set_role(session, "quay", ids[1], "viewer")
        each = [account_of(session, one) for one in ids]
    asked: list[str] = []
    with reading(sited) as session:
        event.listen(sited, "before_cursor_execute", lambda _c, _cursor, statement, *_: asked.append(statement))
        found = accounts(session)
        assert len([one for one in asked if one.startswith("SELECT")]) == 1
        assert accounts(session, site_id="ore-shed") == [each[0]]
    assert [one.name for one in found] == ["Quill", "rowan", "Tam"]
    assert found == [each[2], each[1], each[0]]
    assert [list(one.roles) for one in found] == [[], ["quay"], ["ore-shed", "quay"]]
