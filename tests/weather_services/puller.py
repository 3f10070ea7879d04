"""Processes that pull and plan until they are killed: `python -m tests.weather_services.puller BASE_URL STORE_URL`.

The first process reads everything once and then forks a worker for every line `start` on its input, so that a worker
is there at once; it prints the worker's number. A line `gone` waits for the worker that was killed. A worker opens the
store itself and lets an hour go by with every turn, so that nearly every pull brings a new forecast.
"""

from __future__ import annotations

import os
import random
import sys
from datetime import timedelta

import httpx
import stamina
from sqlalchemy import func
from sqlmodel import select

from frostshift_service import http
from frostshift_service.jobs import Jobs
from frostshift_service.store.engine import open_store, reading
from frostshift_service.store.tables import FeedStateRow, ForecastRow

from .control import Control
from .week import CONTACT, START

STEP = timedelta(minutes=70)


def work(base_url: str, store_url: str) -> None:
    """Pull and plan all sites of the store, hour after hour, for ever."""
    control = Control(base_url)
    engine = open_store(store_url)
    with reading(engine) as session:
        fetched = session.exec(select(func.max(ForecastRow.fetched_utc))).one()
        due = session.exec(select(func.max(FeedStateRow.next_try_utc))).one()
    now = max([moment for moment in (fetched, due) if moment is not None], default=START) + STEP
    now = now.replace(second=0, microsecond=0)
    with http.make_client(CONTACT, "0.1.0", httpx.HTTPTransport()) as client, stamina.set_testing(True, attempts=1):
        jobs = Jobs(
            engine,
            lambda: now,
            get=lambda moment: http.bind(client, moment),
            jitter=random.Random(0).random,
            base_urls=control.base_urls,
        )
        while True:
            control.set_clock(now)
            jobs.tick()
            now += STEP


def main() -> None:
    """Fork a worker for every `start`."""
    base_url, store_url = sys.argv[1:]
    for line in sys.stdin:
        if line.strip() == "start":
            worker = os.fork()
            if worker == 0:
                try:
                    work(base_url, store_url)
                finally:
                    os._exit(1)  # whatever went wrong, never back into the loop of the first process
            print(worker, flush=True)
        else:
            _, status = os.wait()
            print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    main()
