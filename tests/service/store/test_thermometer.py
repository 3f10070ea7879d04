from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import Engine
from sqlalchemy.exc import IntegrityError
from sqlmodel import select

from frostshift_rules.job import AirReading, Site
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.records import DeviceToken, StoreError, UnknownSite, UnknownToken
from frostshift_service.store.sites import load_site, save_site
from frostshift_service.store.tables import AirReadingRow, DeviceTokenRow
from frostshift_service.store.thermometer import (
    KEPT,
    MAX_TOKENS,
    TakenIn,
    add_posted,
    add_token,
    add_typed,
    air_readings_of,
    revoke_token,
    token_with,
    tokens_of,
)

NOW = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)
SITE = "ore-shed"


def at(minutes: float) -> datetime:
    return NOW + timedelta(minutes=minutes)


def made(store: Engine, name: str = "mast", site_id: str = SITE) -> tuple[str, DeviceToken]:
    with writing(store) as session:
        secret = add_token(session, site_id, name, now=NOW)
    with reading(store) as session:
        token = token_with(session, secret)
    assert token is not None
    return secret, token


def test_a_token_is_known_by_its_secret_alone(sited: Engine) -> None:
    secret, token = made(sited)
    assert token == DeviceToken(token.id, SITE, "mast", NOW, None, None)
    with reading(sited) as session:
        assert tokens_of(session, SITE) == [token]
        assert token_with(session, secret[:-1]) is None
        assert token_with(session, "") is None
        (row,) = session.exec(select(DeviceTokenRow)).all()
        assert secret not in repr(row.model_dump()), "only its digest is kept"
        assert len(row.digest) == 64


def test_a_revoked_token_keeps_its_first_day(sited: Engine) -> None:
    secret, token = made(sited)
    for minutes in (5, 9):
        with writing(sited) as session:
            assert revoke_token(session, SITE, token.id, now=at(minutes)).revoked_utc == at(5)
    with reading(sited) as session:
        found = token_with(session, secret)
    assert found is not None
    assert found.revoked_utc == at(5)
    with writing(sited) as session, pytest.raises(UnknownToken, match="has no token .* that counts"):
        add_posted(session, token, [AirReading(-9.0, NOW)], now=NOW)
    made(sited)  # its name is free again


def test_a_token_belongs_to_one_site(sited: Engine, site: Site) -> None:
    with writing(sited) as session:
        save_site(session, replace(site, id="dry-dock"))
    _, token = made(sited)
    with writing(sited) as session, pytest.raises(UnknownToken, match=f"site dry-dock has no token {token.id}"):
        revoke_token(session, "dry-dock", token.id, now=NOW)
    with reading(sited) as session:
        assert tokens_of(session, "dry-dock") == []


@pytest.mark.parametrize("name", ["", "  ", "x" * 61, "a\nb"])
def test_a_token_needs_a_name(sited: Engine, name: str) -> None:
    with writing(sited) as session, pytest.raises(StoreError, match="name of a token: .* 1 to 60 printable letters"):
        add_token(session, SITE, name, now=NOW)


def test_no_two_tokens_of_one_name_and_not_too_many(sited: Engine) -> None:
    made(sited)
    with writing(sited) as session, pytest.raises(StoreError, match="has a token 'mast' that counts"):
        add_token(session, SITE, " mast ", now=NOW)
    for n in range(MAX_TOKENS - 1):
        made(sited, f"mast {n}")
    with writing(sited) as session, pytest.raises(StoreError, match=f"has {MAX_TOKENS} tokens, at most {MAX_TOKENS}"):
        add_token(session, SITE, "one more", now=NOW)


def test_no_site_no_token_and_no_reading(store: Engine) -> None:
    with writing(store) as session:
        for call in (
            lambda: add_token(session, "nowhere", "mast", now=NOW),
            lambda: tokens_of(session, "nowhere"),
            lambda: add_typed(session, "nowhere", AirReading(-9.0, NOW), by="Q. Arden"),
        ):
            with pytest.raises(UnknownSite, match="there is no site 'nowhere'"):
                call()
        with pytest.raises(UnknownToken):
            revoke_token(session, "nowhere", 1, now=NOW)


def test_readings_come_back_in_the_order_of_their_time(sited: Engine) -> None:
    _, token = made(sited)
    local = timezone(timedelta(hours=-6))
    with writing(sited) as session:
        add_typed(session, SITE, AirReading(-11.5, at(-90).astimezone(local)), by="Q. Arden", note="north side")
        add_posted(session, token, [AirReading(-12.25, at(3.7)), AirReading(-12.0, at(-200))], now=at(4))
    with reading(sited) as session:
        found = air_readings_of(session, SITE)
        assert [(one.reading.air_c, one.reading.at_utc, one.by, one.source, one.note) for one in found] == [
            (-12.0, at(-200), "mast", "posted", ""),
            (-11.5, at(-90), "Q. Arden", "typed", "north side"),
            (-12.25, at(3), "mast", "posted", ""),
        ], "the seconds of a posted one are dropped"
        assert air_readings_of(session, SITE, since_utc=at(-90)) == found[1:]
        assert air_readings_of(session, SITE, newest=1) == found[2:]
        assert air_readings_of(session, "nowhere") == []
        assert tokens_of(session, SITE)[0].last_used_utc == at(4)


def test_what_was_posted_more_than_a_year_ago_goes_with_the_next_post_and_what_was_typed_stays(sited: Engine) -> None:
    _, token = made(sited)
    later = NOW + KEPT
    with writing(sited) as session:
        add_typed(session, SITE, AirReading(-9.0, at(-3)), by="Q. Arden")
        add_posted(session, token, [AirReading(-9.5, at(-2)), AirReading(-10.0, NOW)], now=NOW)
        add_posted(session, token, [AirReading(-10.2, at(5))], now=at(5))
        add_posted(session, token, [AirReading(-10.5, later)], now=later)
    with reading(sited) as session:
        assert [one.reading.air_c for one in air_readings_of(session, SITE)] == [-9.0, -10.0, -10.2, -10.5]


def test_a_clock_that_is_years_ahead_for_once_destroys_no_reading(sited: Engine) -> None:
    _, token = made(sited)
    with writing(sited) as session:
        add_posted(session, token, [AirReading(-9.5, at(-2)), AirReading(-10.0, NOW)], now=NOW)
        add_posted(session, token, [], now=NOW + 10 * KEPT)
    with reading(sited) as session:
        assert len(air_readings_of(session, SITE)) == 2


def test_what_is_posted_again_is_taken_once(sited: Engine) -> None:
    _, token = made(sited)
    _, other = made(sited, "gate")
    batch = [AirReading(-9.0, at(-3)), AirReading(-9.5, at(-2.5)), AirReading(-10.0, at(-1))]
    with writing(sited) as session:
        assert add_posted(session, token, batch, now=NOW) == TakenIn(2, 1)  # two of one minute
    with writing(sited) as session:
        assert add_posted(session, token, [*batch, AirReading(-10.5, NOW)], now=NOW) == TakenIn(1, 3)
        assert add_posted(session, other, batch[:1], now=NOW) == TakenIn(1, 0)  # another device, the same minute
        for _ in range(2):  # people may read twice a minute
            add_typed(session, SITE, AirReading(-9.0, at(-3)), by="Q. Arden")
    with reading(sited) as session:
        by_device = [one.reading.air_c for one in air_readings_of(session, SITE) if one.by == "mast"]
    assert by_device == [-9.0, -10.0, -10.5], "the first of a minute stays"


def test_the_database_itself_holds_a_device_to_one_a_minute(sited: Engine) -> None:
    _, token = made(sited)
    values = {"site_id": SITE, "token_id": token.id, "air_c": -9.0, "at_utc": NOW, "by": "mast"}
    with pytest.raises(IntegrityError), writing(sited) as session:
        session.add_all(AirReadingRow(**values, source="posted", note="") for _ in range(2))


def test_copies_that_post_the_same_at_once_keep_one(sited: Engine) -> None:
    _, token = made(sited)

    def post(_: int) -> TakenIn:
        with writing(sited) as session:
            return add_posted(session, token, [AirReading(-9.0, at(n)) for n in range(5)], now=NOW)

    with ThreadPoolExecutor(4) as pool:
        done = list(pool.map(post, range(8)))
    assert sorted(one.taken for one in done) == [0] * 7 + [5]
    with reading(sited) as session:
        assert len(air_readings_of(session, SITE)) == 5


@pytest.mark.parametrize("air_c", [-60.1, 50.1, float("nan"), float("inf")])
def test_what_no_air_can_be_is_refused_and_nothing_is_kept(sited: Engine, air_c: float) -> None:
    _, token = made(sited)
    for add in (
        lambda session, one: add_typed(session, SITE, one, by=""),
        lambda session, one: add_posted(session, token, [AirReading(-9.0, NOW), one], now=NOW),
    ):
        with pytest.raises(StoreError, match="air_c is .*, -60 to 50 °C is needed"), writing(sited) as session:
            add(session, AirReading(air_c, NOW))
    with reading(sited) as session:
        assert air_readings_of(session, SITE) == []


def test_a_reading_counts_as_a_change_of_the_site_and_a_token_does_not(sited: Engine) -> None:
    """So that the plan in hand is old, in every copy."""

    def revision() -> int:
        with reading(sited) as session:
            return load_site(session, SITE).revision

    assert revision() == 1
    _, token = made(sited)
    assert revision() == 1
    with writing(sited) as session:
        add_posted(session, token, [AirReading(-9.0, NOW)], now=NOW)
    assert revision() == 2
    with writing(sited) as session:
        add_typed(session, SITE, AirReading(-9.0, NOW), by="")
    assert revision() == 3
