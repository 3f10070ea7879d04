"""What is kept is made once, is never another's, and does not grow."""

from __future__ import annotations

import gc
from concurrent.futures import ThreadPoolExecutor
from threading import Event
from weakref import ref

import pytest
from tests.service.web.conftest import make_plan

from frostshift_service.keeper import Keeper


class Source:
    """Equal to every other, as two plans may be."""

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Source)

    def __hash__(self) -> int:
        return 1


def test_it_is_made_once_for_the_very_same_source_and_key() -> None:
    keeper, one, other = Keeper(), Source(), Source()
    made: list[int] = []

    def make() -> int:
        made.append(len(made))
        return made[-1]

    assert [keeper.get(one, "a", make), keeper.get(one, "a", make)] == [0, 0]
    assert keeper.get(other, "a", make) == 1
    assert keeper.get(one, "b", make) == 2
    assert keeper.get(one, "a", make) == 0


def test_a_source_that_is_gone_is_not_taken_for_the_next_one_in_its_place() -> None:
    keeper = Keeper()
    for number in range(200):  # a new object gets the address of one that is gone
        assert keeper.get(Source(), "a", lambda number=number: number) == number


def test_it_keeps_what_was_asked_for_last() -> None:
    keeper, source = Keeper(most=2), Source()
    for key in "ab":
        keeper.get(source, key, lambda key=key: key)
    keeper.get(source, "a", lambda: "again")
    keeper.get(source, "c", lambda: "c")
    assert keeper.get(source, "a", lambda: "again") == "a"
    assert keeper.get(source, "b", lambda: "again") == "again"


def test_who_asks_while_it_is_made_waits_for_it_and_others_do_not() -> None:
    keeper, source, begun, go_on = Keeper(), Source(), Event(), Event()
    made: list[str] = []

    def slow() -> str:
        begun.set()
        assert go_on.wait(20)
        made.append("slow")
        return "slow"

    with ThreadPoolExecutor(8) as threads:
        waiting = [threads.submit(keeper.get, source, "slow", slow) for _ in range(7)]
        assert begun.wait(20)
        assert threads.submit(keeper.get, source, "quick", lambda: "quick").result(20) == "quick"
        go_on.set()
        assert [one.result(20) for one in waiting] == ["slow"] * 7
    assert made == ["slow"]


def test_an_error_is_raised_and_not_kept() -> None:
    keeper, source = Keeper(), Source()
    with pytest.raises(ZeroDivisionError):
        keeper.get(source, "a", lambda: 1 // 0)
    assert keeper.get(source, "a", lambda: 1) == 1


def test_it_does_not_hold_a_plan_that_it_knows_by_a_reference() -> None:
    keeper, plan = Keeper(), make_plan()
    gone = ref(plan)
    assert keeper.get(ref(plan), "a", lambda: 1) == 1
    assert keeper.get(ref(plan), "a", lambda: 2) == 1
    del plan
    gc.collect()
    assert gone() is None
    assert keeper.get(ref(make_plan()), "a", lambda: 3) == 3


def test_what_was_made_from_something_that_is_gone_is_let_go_at_once() -> None:
    keeper, source, other = Keeper(), Source(), Source()
    made = Source()
    there = ref(made)
    keeper.get(ref(source), "a", lambda made=made: made)
    del made, source
    gc.collect()
    assert there() is not None
    keeper.get(other, "a", lambda: "b")
    gc.collect()
    assert there() is None
