"""Works out orders of work: in threads of the service, one at a time in each copy; on the way every copy can show it.

Nothing of it happens in a request. What is asked for is a row of the store; the thread writes into it how far it is,
the first answer, the last one, and looks there whether somebody wants it to end.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from threading import Event, Lock, Thread
from time import monotonic
from typing import Final

from sqlalchemy import Engine
from sqlmodel import Session

from frostshift_rules.job import Joint
from frostshift_rules.order_moves import Advice, Move, advise, uses_now, uses_then
from frostshift_rules.order_of_work import SHIFTS, CancelledError, Task, order_task
from frostshift_rules.order_problem import OrderError, OrderProblem
from frostshift_rules.order_solve import Progress, Stop
from frostshift_rules.plan import is_open, make_plan
from frostshift_rules.tables import load_code_table
from frostshift_rules.workload import Plan
from frostshift_service.heartbeat import Heartbeat
from frostshift_service.log_lines import about
from frostshift_service.metrics import count_error
from frostshift_service.store import order_runs
from frostshift_service.store.engine import writing
from frostshift_service.store.records import KeptAdvice, KeptJoint, PlanInputs, RunState
from frostshift_service.views.order import NO_SHIFT, why_none

log = logging.getLogger(__name__)

GAP: Final = 0.005
"""Share of the cost that a better order might still save at most, where the search ends. Our choice."""
NODES: Final = 2_000
SECONDS: Final = 60.0
"""By the clock, as a last resort. Our choice."""
BEAT_S: Final = 2.0
"""So often a run writes down how far it is, and looks whether it is to end."""
STOP_S: Final = 8.0
"""A run that is stopped with the service has so long to keep what it has."""

WAITING: Final = "waits for another site's order of work"
COSTING: Final = "works out every joint in every shift it might go to"
SEARCHING: Final = "searches"
SHEETS: Final = "makes the plan with the moves taken"

FAILED: Final = "Something went wrong here; it is written in the log of the service."
STOPPED: Final = "The service was stopped."


class NoOrder(Exception):
    """There is nothing to work out; the message is for people."""


@dataclass(frozen=True)
class MadeFor:
    """What an order of work is made from, read at one moment.

    Attributes:
        now_utc: the moment.
        revision: of the site.
        forecast_id: of the forecast in use; None where there is none.
        version: of the schedule.
        inputs: of the plan.
        kept: the joints as the store has them, by mark.
    """

    now_utc: datetime
    revision: int
    forecast_id: int | None
    version: str
    inputs: PlanInputs
    kept: Mapping[str, KeptJoint]


@dataclass(frozen=True)
class Watch:
    """Who is told how far it is, and says whether it is to end.

    Attributes:
        step: told what is done now, in words.
        told: told the first answer.
        progress: told while searching.
        cancelled: asked often.
    """

    step: Callable[[str], None]
    told: Callable[[KeptAdvice], None]
    progress: Callable[[Progress], None]
    cancelled: Callable[[], bool]


def work_out(made: MadeFor, watch: Watch, *, shifts: int = SHIFTS, seconds: float = SECONDS) -> KeptAdvice:
    """An order of work, and the plan with its moves taken. Nothing is kept.

    Where it is cancelled, what comes is the best there is so far, without that plan.

    Args:
        made: what it is made from.
        watch: is told how far it is.
        shifts: so many that have not begun are looked at.
        seconds: of searching, as a last resort; with what follows it takes at most two and a half times as long.

    Raises:
        NoOrder: there is nothing to work out.
        OrderError: joints wait for each other in a circle.
        CancelledError: it was cancelled before there was any order.
    """
    inputs = made.inputs
    nothing = why_none(inputs.site, inputs.weather.freshness, inputs.joints)
    if nothing:
        raise NoOrder(nothing)
    watch.step(COSTING)
    table = load_code_table(inputs.site.table_id, inputs.site.own_tables)
    now_utc = made.now_utc
    task = order_task(
        inputs.site, table, inputs.joints, inputs.weather, inputs.readings, now_utc, shifts, watch.cancelled
    )
    if not task.spans:
        raise NoOrder(NO_SHIFT)
    watch.step(SEARCHING)
    ends_s = monotonic() + 2.5 * seconds

    def ends() -> bool:
        return watch.cancelled() or monotonic() > ends_s

    found = advise(
        task,
        Stop(gap=GAP, nodes=NODES, seconds=seconds),
        lambda advice: watch.told(_kept(made, task, advice)),
        watch.progress,
        ends,
    )
    if found.stopped_by == "cancelled" and not watch.cancelled():
        found = replace(found, stopped_by="clock")
    kept = _kept(made, task, found)
    if watch.cancelled():
        return kept
    watch.step(SHEETS)
    plans: list[Plan] = [
        make_plan(inputs.site, table, joints, inputs.weather, inputs.readings, now_utc)
        for joints in (inputs.joints, moved(inputs.joints, found.moves))
    ]
    last_utc = task.spans[-1].end_utc
    before, after = (tuple(one for one in plan.shifts if one.start_utc < last_utc) for plan in plans)
    return replace(kept, before=before, after=after)


def moved(joints: Sequence[Joint], moves: Sequence[Move]) -> list[Joint]:
    """The joints of a schedule with some moves taken."""
    to = {one.mark: one for one in moves}
    return [
        replace(joint, start_utc=to[joint.mark].after.start_utc, crew=to[joint.mark].crew_after)
        if joint.mark in to
        else joint
        for joint in joints
    ]


def _kept(made: MadeFor, task: Task, advice: Advice) -> KeptAdvice:
    weather, used = made.inputs.weather, {joint.mark: joint for joint in made.inputs.joints}
    marks = [move.mark for move in advice.moves]
    # Joints and their fingerprints are read one after the other: what changed in between counts as changed.
    same = {mark: made.kept[mark] for mark in marks if mark in made.kept and made.kept[mark].joint == used[mark]}
    return KeptAdvice(
        advice=advice,
        problem=_as_moved(task.problem, advice.moves),
        uses_now=uses_now(task),
        uses_then=uses_then(task, advice.moves),
        made_utc=made.now_utc,
        feed=weather.feed,
        issued_utc=weather.issued_utc,
        fetched_utc=weather.fetched_utc,
        freshness=weather.freshness,
        instead_of=weather.instead_of,
        seen={mark: same[mark].fingerprint if mark in same else "" for mark in marks},
        places={mark: used[mark].place for mark in marks},
        joints=sum(map(is_open, made.inputs.joints)),
        staying=task.staying,
        notes=task.notes,
    )


def _as_moved(problem: OrderProblem, moves: Sequence[Move]) -> OrderProblem:
    """The problem with no other places than the present ones and those of the moves: all that taking asks for."""
    to = {move.mark: move.place for move in moves}
    return replace(
        problem,
        joints=tuple(
            replace(
                joint,
                choices=tuple(one for one in joint.choices if one.place in (joint.now, to.get(joint.mark))),
                left_out=tuple(one for one in joint.left_out if (one.shift, one.crew) == joint.now),
            )
            for joint in problem.joints
        ),
    )


@dataclass
class _Far:
    """How far a run is."""

    step: str = ""
    progress: Progress | None = None


class OrderWork:
    """The runs of one copy of the service."""

    def __init__(
        self, engine: Engine, now: Callable[[], datetime], copy: str, made_for: Callable[[str], MadeFor]
    ) -> None:
        """Runs on a store.

        Args:
            engine: of the store.
            now: reads the clock, aware UTC.
            copy: name of this copy.
            made_for: reads what an order of work of a site is made from.
        """
        self._engine, self._now, self._copy, self._made_for = engine, now, copy, made_for
        self._one_at_a_time, self._listing = Lock(), Lock()
        self._stopping = Event()
        self._going: dict[int, Thread] = {}

    def start(self) -> None:
        """Let runs begin again after a stop."""
        self._stopping.clear()

    def begin(self, site_id: str, by: str, shifts: int = SHIFTS) -> int:
        """Begin to work out an order of work in a thread; the number of its run.

        Raises:
            UnknownSite: there is no site of that id.
            StoreError: one is worked out already.
        """
        with writing(self._engine) as session:
            run_id = order_runs.begin_run(session, site_id, now=self._now(), by=by, copy=self._copy, shifts=shifts)
        # Not waited for by Python where it hangs: the row says soon enough that nobody works on it any more.
        thread = Thread(target=self._run, args=(run_id, site_id, shifts), name=f"order {run_id}", daemon=True)
        with self._listing:
            self._going[run_id] = thread
        thread.start()
        return run_id

    def stop(self) -> None:
        """End all runs of this copy with what they have; they are written down as broken off."""
        self._stopping.set()
        with self._listing:
            going = dict(self._going)
        ends_s = monotonic() + STOP_S
        for run_id, thread in going.items():
            thread.join(max(0.0, ends_s - monotonic()))
            if thread.is_alive():
                self._write(lambda session, run=run_id: self._end(session, run, "broken_off", STOPPED))  # type: ignore[misc]

    def wait(self) -> None:
        """Until no run of this copy goes on."""
        with self._listing:
            going = list(self._going.values())
        for thread in going:
            thread.join()

    def _run(self, run_id: int, site_id: str, shifts: int) -> None:
        wished, far = Event(), _Far()

        def cancelled() -> bool:
            return wished.is_set() or self._stopping.is_set()

        with about(site=site_id, step="order"):
            try:
                with Heartbeat(BEAT_S, lambda: self._beat(run_id, far, wished)):
                    state, problem = self._turn(run_id, site_id, shifts, far, cancelled)
            except Exception:
                count_error("order")
                log.exception("site %s: the order of work failed", site_id)
                state, problem = "failed", FAILED
            self._write(lambda session: self._end(session, run_id, state, problem))
        with self._listing:
            self._going.pop(run_id, None)

    def _turn(
        self, run_id: int, site_id: str, shifts: int, far: _Far, cancelled: Callable[[], bool]
    ) -> tuple[RunState, str]:
        while not self._one_at_a_time.acquire(timeout=0.2):
            far.step = WAITING
            if cancelled():
                return self._over()
        try:
            far.step = ""
            return self._over() if cancelled() else self._work(run_id, site_id, shifts, far, cancelled)
        except CancelledError:
            return self._over()
        except NoOrder as error:
            return "failed", str(error)
        except OrderError as error:
            return "failed", f"{error} Change what they wait for in the schedule, column `after`."
        finally:
            self._one_at_a_time.release()

    def _work(
        self, run_id: int, site_id: str, shifts: int, far: _Far, cancelled: Callable[[], bool]
    ) -> tuple[RunState, str]:
        made = self._made_for(site_id)
        with writing(self._engine) as session:
            order_runs.note_inputs(
                session, run_id, revision=made.revision, forecast_id=made.forecast_id, version=made.version
            )

        def step(text: str) -> None:
            far.step = text

        def progress(found: Progress) -> None:
            far.progress = found

        def told(kept: KeptAdvice) -> None:
            with writing(self._engine) as session:
                order_runs.keep_advice(session, run_id, kept)

        found = work_out(made, Watch(step, told, progress, cancelled), shifts=shifts)
        with writing(self._engine) as session:
            order_runs.keep_advice(session, run_id, found)
        return ("ended", "") if found.after else self._over()

    def _over(self) -> tuple[RunState, str]:
        """How a run ends that was not let go on to its end."""
        return ("broken_off", STOPPED) if self._stopping.is_set() else ("ended", "")

    def _beat(self, run_id: int, far: _Far, wished: Event) -> None:
        at = far.progress
        with writing(self._engine) as session:
            goes_on = order_runs.beat(
                session,
                run_id,
                now=self._now(),
                step=far.step,
                cost=None if at is None else at.cost,
                bound=None if at is None else at.bound,
                gap=None if at is None else at.gap,
            )
        if not goes_on:
            wished.set()

    def _end(self, session: Session, run_id: int, state: RunState, problem: str) -> None:
        order_runs.end_run(session, run_id, state, now=self._now(), problem=problem)

    def _write(self, write: Callable[[Session], None]) -> None:
        """Write down how a run ended; where that fails it counts as broken off soon."""
        try:
            with writing(self._engine) as session:
                write(session)
        except Exception:
            log.exception("how an order of work ended could not be written down")
