import math
import os
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine

from frostshift_rules.composition import ELEMENTS, RESTRAINTS, Composition
from frostshift_rules.job import EXPOSURES, PROCESSES, Joint, Part, Reading, Shelter, Site
from frostshift_service.store import joints, sites
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.readings import add_reading, readings_of
from frostshift_service.store.records import ImportedJoint, KeptReading, StoreError, UnknownJoint, UnknownSite

NOW = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)
Rows = Callable[..., list[ImportedJoint]]

text = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12)  # PostgreSQL stores no NUL
number = st.floats(allow_nan=False, allow_infinity=False)
maybe = st.none() | number
moment = st.tuples(st.integers(0, 2**52), st.sampled_from((UTC, timezone(timedelta(hours=-6))))).map(
    lambda given: (datetime(1950, 1, 1, tzinfo=UTC) + timedelta(microseconds=given[0])).astimezone(given[1])
)
compositions = st.none() | st.builds(Composition, **{element.lower(): maybe for element in ELEMENTS})
any_joint = st.builds(
    Joint,
    mark=text,
    place=text,
    parts=st.lists(
        st.builds(
            Part,
            steel=st.none() | text,
            thickness_mm=number,
            thickness_in=maybe,
            reach_mm=maybe,
            composition=compositions,
        ),
        min_size=1,
        max_size=4,
    ).map(tuple),
    process=st.none() | st.sampled_from(PROCESSES),
    electrode=st.none() | text,
    hydrogen_ml=maybe,
    procedure=st.none() | text,
    weld_length_mm=number,
    start_utc=moment,
    hours=number,
    crew=text,
    exposure=st.sampled_from(EXPOSURES),
    sun=st.booleans(),
    shelter=st.none() | st.builds(Shelter, maybe, maybe),
    height_m=number,
    torches=st.integers(1, 9),
    heat_source=st.none() | text,
    heated_length_mm=maybe,
    both_faces=st.booleans(),
    heat_input_kj_mm=maybe,
    restraint=st.none() | st.sampled_from(RESTRAINTS),
    weld_metal=compositions,
    passes=st.none() | st.integers(1, 500),
    fracture_critical=st.booleans(),
    after=st.lists(text, max_size=3).map(tuple),
    not_before_utc=st.none() | moment,
    finish_by_utc=st.none() | moment,
    pinned=st.booleans(),
)
any_schedule = st.lists(
    st.builds(
        ImportedJoint,
        any_joint,
        st.integers(1, 2**31 - 1),
        st.lists(text, max_size=2).map(tuple),
        st.lists(text, max_size=2).map(tuple),
    ),
    max_size=4,
    unique_by=lambda item: item.joint.mark,
)


def take(store: Engine, rows: list[ImportedJoint]) -> joints.ScheduleImport:
    with writing(store) as session:
        return joints.import_joints(session, "ore-shed", rows, now=NOW, file_name="week-3.csv", by="Q. Arden")


def marks(store: Engine) -> list[str]:
    with reading(store) as session:
        return [joint.mark for joint in joints.joints_of(session, "ore-shed")]


def one(store: Engine, mark: str) -> Joint:
    with reading(store) as session:
        return joints.kept_joint(session, "ore-shed", mark).joint


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=any_schedule)
def test_a_schedule_comes_back_as_it_was_imported(store: Engine, site: Site, rows: list[ImportedJoint]) -> None:
    with writing(store) as session:
        sites.save_site(session, site)
        # States of earlier examples stay with their marks, as they should.
        for kept in joints.kept_joints(session, site.id):
            joints.set_joint_state(session, site.id, kept.joint.mark, "planned", now=NOW, by="")
    planned = [replace(item, joint=replace(item.joint, state="planned")) for item in rows]
    take(store, planned)
    with reading(store) as session:
        back = joints.joints_of(session, site.id)
        kept = {item.joint.mark: item for item in joints.kept_joints(session, site.id) if item.present}
    assert back == sorted((item.joint for item in planned), key=lambda joint: (joint.start_utc, joint.mark))
    assert all(joint.start_utc.utcoffset() == timedelta(0) for joint in back)
    for item in planned:
        stored = kept.pop(item.joint.mark)
        assert (stored.joint, stored.row, stored.defaults, stored.problems) == (
            item.joint,
            item.row,
            item.defaults,
            item.problems,
        )
    assert not kept


def test_an_import_matches_by_mark(sited: Engine, rows: Rows) -> None:
    first = take(sited, rows("A1", "A2", "A3"))
    assert (first.added, first.changed, first.vanished, first.joints) == (("A1", "A2", "A3"), (), (), 3)

    second = take(sited, [*rows("A1"), *rows("A3", crew="other"), *rows("B1")])
    assert (second.added, second.changed, second.vanished) == (("B1",), ("A3",), ("A2",))
    assert marks(sited) == ["A1", "A3", "B1"]

    third = take(sited, rows("A1", "A2"))
    assert (third.added, third.changed, third.returned, third.vanished) == ((), (), ("A2",), ("A3", "B1"))
    with reading(sited) as session:
        assert joints.last_import(session, "ore-shed") == third
        gone = [item.joint.mark for item in joints.kept_joints(session, "ore-shed") if not item.present]
    assert sorted(gone) == ["A3", "B1"]


def test_no_import_yet(sited: Engine) -> None:
    with reading(sited) as session:
        assert joints.last_import(session, "ore-shed") is None
        assert joints.joints_of(session, "ore-shed") == []


def test_the_same_file_again_changes_nothing(sited: Engine, rows: Rows) -> None:
    take(sited, rows("A1", "A2"))
    again = take(sited, rows("A1", "A2"))
    assert (again.added, again.changed, again.vanished, again.returned) == ((), (), (), ())


def test_state_and_readings_stay_over_an_import(sited: Engine, rows: Rows) -> None:
    take(sited, rows("A1", "A2"))
    measured = Reading("A1", -17.25, NOW, "contact probe 4", "R. Moss")
    with writing(sited) as session:
        joints.set_joint_state(session, "ore-shed", "A1", "in_progress", now=NOW, by="R. Moss")
        add_reading(session, "ore-shed", measured, now=NOW, note="north flange")
    take(sited, rows("A2"))
    take(sited, rows("A1", "A2", crew="other"))
    joint = one(sited, "A1")
    assert (joint.state, joint.crew) == ("in_progress", "other")
    with reading(sited) as session:
        assert readings_of(session, "ore-shed") == [KeptReading(measured, "north flange", NOW, id=1)]


def test_the_schedules_state_counts_for_a_new_mark(sited: Engine, rows: Rows) -> None:
    take(sited, rows("A1", state="done"))
    assert one(sited, "A1").state == "done"


def test_a_move_by_hand_is_undone_by_a_schedule_and_said_so(sited: Engine, rows: Rows) -> None:
    take(sited, rows("A1", "A2"))
    start = one(sited, "A1").start_utc
    with writing(sited) as session:
        joints.move_joint(session, "ore-shed", "A1", start + timedelta(hours=12), now=NOW, by="R. Moss")
    assert one(sited, "A1").start_utc == start + timedelta(hours=12)
    again = take(sited, rows("A1", "A2"))
    assert (again.moves_undone, again.changed) == (("A1",), ())
    assert one(sited, "A1").start_utc == start
    with reading(sited) as session:
        (change,) = joints.changes_of(session, "ore-shed", "A1")
    assert (change.field, change.was, change.became, change.by) == (
        "start_utc",
        start.isoformat(),
        (start + timedelta(hours=12)).isoformat(),
        "R. Moss",
    )


def test_a_schedule_that_agrees_with_a_move_undoes_nothing(sited: Engine, rows: Rows) -> None:
    take(sited, rows("A1"))
    moved = one(sited, "A1").start_utc + timedelta(hours=12)
    with writing(sited) as session:
        joints.move_joint(session, "ore-shed", "A1", moved, now=NOW, by="R. Moss")
    again = take(sited, rows("A1", start_utc=moved))
    assert (again.moves_undone, again.changed) == ((), ("A1",))


def test_a_change_of_state_is_logged_once(sited: Engine, rows: Rows) -> None:
    take(sited, rows("A1"))
    for _ in range(2):
        with writing(sited) as session:
            joints.set_joint_state(session, "ore-shed", "A1", "done", now=NOW, by="R. Moss")
    with reading(sited) as session:
        (change,) = joints.changes_of(session, "ore-shed", "A1")
    assert (change.field, change.was, change.became, change.at_utc) == ("state", "planned", "done", NOW)


def test_an_import_that_fails_leaves_the_old_schedule(sited: Engine, rows: Rows) -> None:
    take(sited, rows("A1", "A2"))
    bad = [*rows("A1", crew="other"), *rows("B1", weld_length_mm=math.nan)]
    with pytest.raises(StoreError, match=r"row 2, mark 'B1': weld_length_mm is nan"):
        take(sited, bad)
    with pytest.raises(StoreError, match="mark 'B1' is in the schedule twice"):
        take(sited, rows("B1", "B1"))
    assert marks(sited) == ["A1", "A2"]
    assert one(sited, "A1").crew == ""


def test_an_error_after_the_import_takes_it_back(sited: Engine, rows: Rows) -> None:
    def work() -> None:
        with writing(sited) as session:
            joints.import_joints(session, "ore-shed", rows("B1"), now=NOW, file_name="x.csv", by="")
            raise ZeroDivisionError

    take(sited, rows("A1", "A2"))
    with pytest.raises(ZeroDivisionError):
        work()
    assert marks(sited) == ["A1", "A2"]


KILLED = """
import os, sys
from datetime import UTC, datetime
from frostshift_rules.job import Joint, Part
from frostshift_service.store import joints
from frostshift_service.store.engine import open_store, writing
from frostshift_service.store.records import ImportedJoint
start = datetime(2026, 1, 13, 12, tzinfo=UTC)
parts = (Part("A36", 20.0),)
rows = [
    ImportedJoint(Joint(f"B{n}", "", parts, None, None, None, None, 100.0, "inside", start, 1.0), n) for n in range(500)
]
with writing(open_store(sys.argv[1])) as session:
    joints.import_joints(session, "ore-shed", rows, now=start, file_name="x.csv", by="")
    assert len(joints.joints_of(session, "ore-shed")) == 500
    os._exit(9)
"""


def test_a_process_killed_in_an_import_leaves_the_old_schedule(tmp_path: Path, site: Site, rows: Rows) -> None:
    """On SQLite, whose files are ours to set up; PostgreSQL itself ends the transaction of a dead client."""
    url = f"sqlite:///{(tmp_path / 'store.db').as_posix()}"
    store = open_store(url)
    with writing(store) as session:
        sites.save_site(session, site)
    take(store, rows("A1", "A2"))
    ended = subprocess.run([sys.executable, "-c", KILLED, url], env=os.environ, check=False)
    assert ended.returncode == 9
    assert marks(store) == ["A1", "A2"]
    take(store, rows("A1"))  # and nothing is left locked
    store.dispose()


def test_a_state_set_while_an_import_runs_is_kept(sited: Engine, rows: Rows) -> None:
    take(sited, rows("A1", "A2"))

    def finish() -> None:
        with writing(sited) as session:
            joints.set_joint_state(session, "ore-shed", "A1", "done", now=NOW, by="R. Moss")

    with ThreadPoolExecutor(1) as pool:
        with writing(sited) as session:
            joints.import_joints(session, "ore-shed", rows("A1", crew="other"), now=NOW, file_name="x.csv", by="")
            finished = pool.submit(finish)  # has to wait for this transaction
            assert not finished.done()
        finished.result()
    joint = one(sited, "A1")
    assert (joint.state, joint.crew) == ("done", "other")


def test_concurrent_writers_lose_nothing(sited: Engine, rows: Rows) -> None:
    """Read-modify-write from eight threads: the revision counts every one, and each reading and state is there."""
    names = [f"A{n}" for n in range(40)]
    take(sited, rows(*names))

    def work(number: int) -> None:
        with writing(sited) as session:
            add_reading(session, "ore-shed", Reading(names[number], -float(number), NOW), now=NOW)
            joints.set_joint_state(session, "ore-shed", names[number], "done", now=NOW, by=str(number))

    with reading(sited) as session:
        before = sites.load_site(session, "ore-shed").revision
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(work, range(len(names))))
    with reading(sited) as session:
        assert sites.load_site(session, "ore-shed").revision == before + 2 * len(names)
        assert sorted(kept.reading.mark for kept in readings_of(session, "ore-shed")) == sorted(names)
        assert {joint.state for joint in joints.joints_of(session, "ore-shed")} == {"done"}


def test_readings_by_time_and_mark(sited: Engine, rows: Rows) -> None:
    take(sited, rows("A1", "A2"))
    measured = [Reading(mark, -5.0, NOW + timedelta(hours=hour)) for mark, hour in (("A1", 2), ("A2", 1), ("A1", 0))]
    with writing(sited) as session:
        for item in measured:
            add_reading(session, "ore-shed", item, now=NOW)
    late, middle, early = measured
    with reading(sited) as session:

        def found(**wanted: object) -> list[Reading]:
            return [kept.reading for kept in readings_of(session, "ore-shed", **wanted)]  # type: ignore[arg-type]

        assert found() == [early, middle, late]
        assert found(mark="A1") == [early, late]
        assert found(since_utc=NOW + timedelta(hours=1)) == [middle, late]


def test_wrong_changes_are_refused(sited: Engine, rows: Rows) -> None:
    take(sited, rows("A1"))
    with pytest.raises(UnknownJoint, match="no joint 'Z'"), writing(sited) as session:
        joints.set_joint_state(session, "ore-shed", "Z", "done", now=NOW, by="")
    with pytest.raises(UnknownJoint, match="no joint 'Z'"), writing(sited) as session:
        add_reading(session, "ore-shed", Reading("Z", 1.0, NOW), now=NOW)
    with pytest.raises(UnknownSite, match="'nowhere'"), writing(sited) as session:
        joints.move_joint(session, "nowhere", "A1", NOW, now=NOW, by="")
    with pytest.raises(StoreError, match="state is 'finished', expected one of planned"), writing(sited) as session:
        joints.set_joint_state(session, "ore-shed", "A1", "finished", now=NOW, by="")  # type: ignore[arg-type]
    with pytest.raises(StoreError, match="A1: steel_c is nan"), writing(sited) as session:
        add_reading(session, "ore-shed", Reading("A1", math.nan, NOW), now=NOW)
    assert one(sited, "A1").state == "planned"
