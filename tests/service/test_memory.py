"""Memory that is not needed goes, once a day, and nothing that is shown changes by it."""

from __future__ import annotations

import ctypes
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from apscheduler.triggers.cron import CronTrigger
from sqlalchemy import Engine

from frostshift_rules import conduction, section
from frostshift_service import jobs as loops
from frostshift_service.clock import utc_now
from frostshift_service.jobs import MEMORY_GOES, Jobs
from frostshift_service.memory import let_go

FLANGE = conduction.Geometry(
    thickness_m=np.array([0.03]),
    both_faces=np.array([False]),
    half_width_m=np.array([0.075]),
    inner_m=np.array([0.0]),
    half_length_m=np.array([0.1]),
    edge_x_m=np.array([np.inf]),
    edge_y_m=np.array([0.15]),
    web_m=np.array([0.016]),
    web_depth_m=np.array([0.35]),
    through_end=np.array([False]),
    point_x_m=np.array([[0.075]]),
    point_y_m=np.array([[0.0]]),
    point_z=np.array([[1.0]]),
)


def rise() -> conduction.Floats:
    return conduction.Responses(FLANGE).curve(*(np.array([one]) for one in (1.0, 0.0, 5.0, 1.2e-5))).nodes()


def test_what_was_integrated_goes_and_comes_back_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    integrated, respond = list[int](), conduction._respond

    def counted(*args: Any) -> conduction.Floats:
        integrated.append(1)
        return respond(*args)

    let_go()
    monkeypatch.setattr(conduction, "_respond", counted)
    first = rise()
    np.testing.assert_array_equal(rise(), first)
    assert len(integrated) == 1, "kept from one plan to the next"
    assert section.modes.cache_info().currsize == 1
    let_go()
    assert section.modes.cache_info().currsize == 0
    np.testing.assert_array_equal(rise(), first)
    assert len(integrated) == 2


HOLES = """
import re
from frostshift_service.memory import let_go

def held_mb():
    return int(re.search(r"VmRSS:\\s+(\\d+)", open("/proc/self/status").read())[1]) / 1e3

blocks = [b"x" * 100_000 for _ in range(1000)]  # too small to have pages of their own
last = blocks[-1]  # lies above the others
filled_mb = held_mb()
del blocks
before_mb = held_mb()
let_go()
print(filled_mb - before_mb, before_mb - held_mb())
"""


@pytest.mark.skipif(not hasattr(ctypes.CDLL(None), "malloc_trim"), reason="the C library is not glibc")
def test_what_is_free_goes_back_to_the_system() -> None:
    ran = subprocess.run([sys.executable, "-c", HOLES], check=True, capture_output=True, text=True)
    by_itself_mb, let_go_mb = map(float, ran.stdout.split())
    assert by_itself_mb < 20.0, "free memory below a block in use stays with the process"
    assert let_go_mb > 80.0


def test_every_copy_lets_go_once_a_day_by_night() -> None:
    at, times = datetime(2026, 11, 25, 18, tzinfo=UTC), list[datetime]()
    for _ in range(3):
        found = MEMORY_GOES.get_next_fire_time(None, at)
        assert found is not None
        times.append(found)
        at = found + timedelta(seconds=1)
    assert np.diff(times).tolist() == [timedelta(days=1)] * 2
    for zone in ("America/New_York", "America/Chicago", "America/Los_Angeles"):
        assert times[0].astimezone(ZoneInfo(zone)).hour < 5


def test_the_scheduler_lets_go(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    gone = threading.Event()
    monkeypatch.setattr(loops, "let_go", gone.set)
    monkeypatch.setattr(loops, "MEMORY_GOES", CronTrigger(second="*", timezone="UTC"))
    jobs = Jobs(engine, utc_now, get=None, jitter=lambda: 0.0)
    jobs.start()
    try:
        assert gone.wait(20.0)
    finally:
        jobs.stop()
