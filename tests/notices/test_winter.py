"""Six days of the replayed winter: nobody is left unaware, and nobody is told all the time."""

from __future__ import annotations

import pytest

from frostshift_rules.notice_setup import NoticeChoices

from . import winter


@pytest.fixture(scope="module")
def six_days() -> winter.Result:
    """The last third of December, where the weather has the outage of the forecast and a front in it."""
    return replayed(NoticeChoices())


def replayed(choices: NoticeChoices) -> winter.Result:
    return winter.replay(winter.STATIONS["greensboro"], 6, choices, first_day=18, colder_k=4.0, outage_day=4)


def test_nobody_is_left_unaware(six_days: winter.Result) -> None:
    assert six_days.joints > 25
    assert six_days.unaware == []
    assert six_days.untold_heat == []
    assert six_days.held == 0


def test_a_service_that_tells_nothing_would_be_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(winter, "decide", lambda told, *_: ((), told))
    silent = winter.replay(winter.STATIONS["greensboro"], 3, NoticeChoices(), first_day=18, colder_k=4.0, outage_day=9)
    assert len(silent.unaware) == silent.needing > 0
    assert silent.untold_heat


def test_few_notices(six_days: winter.Result) -> None:
    a_week = {crew: count / six_days.weeks for crew, count in six_days.by_crew.items()}
    # Six of them are the lists of the shifts.
    assert min(a_week["Anvil"], a_week["Bellows"]) >= 6.0
    assert max(a_week.values()) <= 20.0
    assert six_days.flickers <= 2


def test_fronts_and_the_outage_are_told_in_time(six_days: winter.Result) -> None:
    of_site = [event.kind for notice in six_days.notices if not notice.crew for event in notice.events]
    assert of_site.count("forecast") == 3  # late, cannot be used, fresh again
    assert six_days.by_kind["front"] >= 1
    assert min(six_days.lead_h["front"]) >= 3.0
    assert len({notice.key for notice in six_days.notices}) == len(six_days.notices)


def test_without_settling_it_would_go_to_and_fro(six_days: winter.Result) -> None:
    restless = replayed(NoticeChoices(settle_minutes=0.0))
    assert restless.flickers > six_days.flickers
