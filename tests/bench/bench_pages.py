"""Pages of a site with 5,000 joints over HTTP: weight, and time with one reader and with twenty at once.

`python -m tests.bench.bench_pages [JOINTS]`. The service runs in this process on loopback, its client beside it, so
that the times are upper bounds. The baseline of the ratio is the page of the rule tables, which hangs on no plan.
"""

from __future__ import annotations

import csv
import io
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from statistics import median

import httpx
from tests.service.web.conftest import served

from frostshift_service import demo
from frostshift_service.app import create_app
from frostshift_service.jobs import Jobs
from frostshift_service.schedule_file import read_schedule
from frostshift_service.settings import Settings
from frostshift_service.store.engine import open_store, writing
from frostshift_service.store.joints import import_joints
from frostshift_service.store.sites import save_site

NOW = datetime(2026, 1, 12, 21, 30, tzinfo=UTC)
READERS = 20
ROUNDS = 3
SITE = f"/sites/{demo.SITE_ID}"
PATHS = {
    "rule tables (baseline)": "/tables",
    "morning sheet": f"{SITE}/morning",
    "morning sheet, JSON": f"{SITE}/morning.json",
    "crew sheet": f"{SITE}/crew-sheet?crew=north",
    "schedule": f"{SITE}/schedule",
    "weather": f"{SITE}/weather",
    "gas": f"{SITE}/gas",
    "readings": f"{SITE}/readings",
    "joint": f"{SITE}/joints/BP-A1",
}


def schedule(joints: int, now: datetime = NOW) -> bytes:
    """The demo's schedule again and again, each mark once."""
    rows = list(csv.reader(io.StringIO(demo.demo_schedule(now).decode())))
    head, body = rows[0], [row for row in rows[1:] if row]
    mark = head.index("mark")
    out = io.StringIO()
    write = csv.writer(out)
    write.writerow(head)
    for number in range(joints):
        row = list(body[number % len(body)])
        turn = number // len(body)
        row[mark] = row[mark] if turn == 0 else f"{row[mark]}-{turn}"
        write.writerow(row)
    return out.getvalue().encode()


def main() -> None:
    """Print a line a page."""
    joints = int(sys.argv[1]) if len(sys.argv) > 1 else 5_000
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(data_dir=Path(folder), contact=None)
        engine = open_store(settings.database_url)
        jobs = Jobs(engine, lambda: NOW, get=None, jitter=lambda: 0.0)
        site = demo.demo_site(NOW)
        read = read_schedule(schedule(joints), "week.csv", site, NOW, 10**8, 100_000)
        assert not read.errors, read.errors[:3]
        with writing(engine) as session:
            save_site(session, site, show_units="us", feed="file")
            import_joints(session, site.id, read.joints, now=NOW, file_name="week.csv", by="bench")
        payload = Path(folder) / "forecast.json"
        payload.write_bytes(demo.demo_payload(NOW))
        begun = time.perf_counter()
        jobs.take_payload(site.id, payload)
        jobs.replan(site.id)
        print(f"{joints:,} joints; two plans in {time.perf_counter() - begun:.1f} s")
        app = create_app(settings, engine, lambda: NOW, jobs)
        with served(app) as base:
            measure(base, app.state.door.new_link().split("token=")[1])
        engine.dispose()


def measure(base: str, token: str) -> None:
    """Every page: weight, alone, and with twenty readers at once."""
    with httpx.Client(base_url=base, headers={"sec-fetch-site": "same-origin"}, timeout=300) as client:
        client.post("/enter", data={"token": token})
        print(f"{'page':26} {'kB':>7} {'first':>7} {'alone':>7} {'20: med':>7} {'p95':>7}  times of baseline")
        baseline = 0.0
        for name, path in PATHS.items():
            first, size = timed(client, path)
            alone = median(timed(client, path)[0] for _ in range(5))
            baseline = baseline or alone
            with ThreadPoolExecutor(READERS) as readers:
                taken = sorted(readers.map(partial(seconds, client), [path] * (READERS * ROUNDS)))
            p95 = taken[int(len(taken) * 0.95)]
            figures = [first, alone, median(taken), p95]
            line = f"{size / 1e3:7.0f} " + " ".join(f"{one * 1e3:7.0f}" for one in figures)
            print(f"{name:26} {line}  {alone / baseline:.1f}", flush=True)


def seconds(client: httpx.Client, path: str) -> float:
    """Seconds until the whole page is there."""
    return timed(client, path)[0]


def timed(client: httpx.Client, path: str) -> tuple[float, int]:
    """Seconds until the whole page is there, and its bytes."""
    begun = time.perf_counter()
    answer = client.get(path)
    assert answer.status_code == 200, (path, answer.status_code)
    return time.perf_counter() - begun, len(answer.content)


if __name__ == "__main__":
    main()
