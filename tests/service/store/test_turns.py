"""Turns: one copy at a time, taken over where it falls silent."""

import threading
from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import Engine
from sqlmodel import select

from frostshift_rules.job import Site
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.sites import save_site, touch
from frostshift_service.store.tables import SiteTurnRow
from frostshift_service.store.turns import EVERY, LEASE, LEFT_TO_LAST, Turn, end_turn, keep_turn, take_turn

from .conftest import NOW

SECOND = timedelta(seconds=1)


def take(store: Engine, copy: str, after: timedelta = timedelta()) -> Turn | None:
    with writing(store) as session:
        return take_turn(session, copy, now=NOW + after)


def end(store: Engine, turn: Turn | None, after: timedelta = timedelta()) -> bool:
    assert turn is not None
    with writing(store) as session:
        return end_turn(session, turn, now=NOW + after)


def test_a_new_site_is_due_at_once_and_is_one_copys_alone(sited: Engine) -> None:
    turn = take(sited, "a")
    assert turn is not None
    assert (turn.site_id, turn.number, turn.revision) == ("ore-shed", 1, 1)
    assert take(sited, "b") is None
    assert take(sited, "a") is None  # nor twice by one of its own workers


def test_it_comes_again_when_its_time_is_there_and_not_before(sited: Engine) -> None:
    assert end(sited, take(sited, "a"))
    assert take(sited, "a", EVERY - SECOND) is None
    assert take(sited, "a", EVERY) is not None


def test_a_change_of_the_site_makes_it_due(sited: Engine) -> None:
    assert end(sited, take(sited, "a"))
    with writing(sited) as session:
        touch(session, "ore-shed")
    again = take(sited, "a", SECOND)
    assert again is not None
    assert again.revision == 2


def test_a_change_during_a_turn_makes_it_due_after_it(sited: Engine) -> None:
    turn = take(sited, "a")
    with writing(sited) as session:
        touch(session, "ore-shed")
    assert end(sited, turn)
    assert take(sited, "a", SECOND) is not None


def test_a_copy_that_falls_silent_is_taken_over_within_a_minute(sited: Engine) -> None:
    turn = take(sited, "a")
    assert take(sited, "b", LEASE - SECOND) is None
    assert timedelta(minutes=1) > LEASE
    taken = take(sited, "b", LEASE)
    assert taken is not None
    # What the first copy does when it wakes counts no more.
    with writing(sited) as session:
        assert turn is not None
        keep_turn(session, turn, now=NOW + LEASE + 10 * SECOND)
    assert not end(sited, turn, LEASE + 10 * SECOND)
    with reading(sited) as session:
        row = session.exec(select(SiteTurnRow)).one()
    assert (row.copy_name, row.held_until_utc, row.number) == ("b", NOW + 2 * LEASE, taken.number)


def test_a_claim_that_is_renewed_does_not_run_out(sited: Engine) -> None:
    turn = take(sited, "a")
    assert turn is not None
    with writing(sited) as session:
        keep_turn(session, turn, now=NOW + LEASE - SECOND)
    assert take(sited, "b", LEASE + SECOND) is None
    assert end(sited, turn, LEASE + SECOND)


def test_a_site_is_left_to_the_copy_that_has_its_plan_but_not_for_long(sited: Engine) -> None:
    assert end(sited, take(sited, "a"))
    assert take(sited, "b", EVERY + LEFT_TO_LAST - SECOND) is None
    assert take(sited, "b", EVERY + LEFT_TO_LAST) is not None


@pytest.mark.parametrize("hours", [1, 24])
def test_a_clock_that_was_ahead_leaves_no_site_behind(sited: Engine, hours: int) -> None:
    ahead = timedelta(hours=hours)
    assert end(sited, take(sited, "a", ahead), ahead)
    assert take(sited, "a") is not None  # back at the right time; and a claim from then is none
    with writing(sited) as session:
        row = session.exec(select(SiteTurnRow)).one()
        row.held_until_utc = NOW + ahead
        session.add(row)
    assert take(sited, "b", SECOND) is not None


def test_the_one_that_has_waited_longest_comes_first(sited: Engine, site: Site) -> None:
    assert end(sited, take(sited, "a"))
    with writing(sited) as session:
        save_site(session, replace(site, id="dry-dock"))
    assert [take(sited, "a", EVERY), take(sited, "a", EVERY)] == [Turn("dry-dock", 1, 1), Turn("ore-shed", 2, 1)]


def test_many_takers_at_once_have_no_site_twice(sited: Engine, site: Site) -> None:
    with writing(sited) as session:
        for number in range(11):
            save_site(session, replace(site, id=f"shed-{number}"))
    taken: list[str] = []
    lock = threading.Lock()

    def work(copy: str) -> None:
        while (turn := take(sited, copy)) is not None:
            with lock:
                taken.append(turn.site_id)

    threads = [threading.Thread(target=work, args=(f"copy-{number}",)) for number in range(4)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert sorted(taken) == sorted(["ore-shed", *(f"shed-{number}" for number in range(11))])
