"""Many people on one big site at once, with plans made again under them, against the real service.

    python -m tests.bench.load [USERS] [MINUTES] [JOINTS]

The service is `frostshift serve`, a process of its own on a temporary store, and its loops run; the users are httpx
clients of another process, each with its own session and a user's pace: `THINK_S` on average between two requests,
drawn with a fixed seed. Both share the machine, so that the times are upper bounds. One address stands for all users,
so that the limit on requests is raised by its setting.

Every request counts with the time until its whole answer was there, errors too. An error is any answer that is not the
one expected, a time-out after `PATIENCE_S`, a lost connection, or a page after a change that does not show the change.
A change is a joint set to done, or back, or a reading on cold steel: each has the site planned again.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import re
import socket
import subprocess
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Awaitable, Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic

import httpx
from tests.bench.bench_pages import schedule

from frostshift_service import demo
from frostshift_service.clock import utc_now
from frostshift_service.door import Door
from frostshift_service.jobs import Jobs
from frostshift_service.pages import joint_url
from frostshift_service.schedule_file import read_schedule
from frostshift_service.stock_form import contents_of, kinds_of
from frostshift_service.store.accounts import add_account, set_role
from frostshift_service.store.engine import open_store, writing
from frostshift_service.store.joints import import_joints
from frostshift_service.store.notices import save_setup
from frostshift_service.store.sites import save_site
from frostshift_service.store.stock import add_entry

SEED = 11
THINK_S = 5.0
PATIENCE_S = 60.0
SITE = f"/sites/{demo.SITE_ID}"
IS_DONE = "It is done, so it is not planned."
PARTS = 12
"""Parts of a shift's table that are turned to."""
OFTEN = {
    "morning sheet": 400,
    "part of a shift": 150,
    "crew sheet": 100,
    "joint": 150,
    "morning sheet, JSON": 60,
    "gas": 50,
    "is there a newer plan": 80,
    "reading posted": 6,
    "joint set to done": 2,
}
"""How often in about 1,000. A joint set to done is set back after a pause, and its page is looked at both times; every
second reading is on cold steel. With 50 users a plan is asked for some five times a minute."""


@dataclass
class Seen:
    """What the users saw."""

    seconds: defaultdict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    wrong: defaultdict[str, int] = field(default_factory=lambda: defaultdict(int))
    errors: Counter[str] = field(default_factory=Counter)
    changes: int = 0
    slip_s: list[float] = field(default_factory=list)
    """How late this process itself was, every tenth of a second."""

    def error(self, kind: str, what: str) -> None:
        """Count one."""
        self.wrong[kind] += 1
        self.errors[f"{kind}: {what}"] += 1


class User:
    """One person with a browser."""

    def __init__(self, number: int, client: httpx.AsyncClient, marks: Sequence[str], seen: Seen) -> None:
        self._number, self._client, self._marks, self._seen = number, client, marks, seen
        self._luck = random.Random(f"{SEED} {number}")

    async def work(self, token: str, until: float) -> None:
        """Sign in and look until it is time."""
        await asyncio.sleep(self._luck.uniform(0.0, THINK_S))
        await self._ask("sign in", "POST", "/enter", 303, data={"token": token})
        does: dict[str, Callable[[], Awaitable[object]]] = {
            "morning sheet": lambda: self._get("morning sheet", f"{SITE}/morning"),
            "part of a shift": lambda: self._get(
                "part of a shift", f"{SITE}/morning?part={self._luck.randint(2, PARTS)}"
            ),
            "crew sheet": lambda: self._get("crew sheet", f"{SITE}/crew-sheet?crew=north"),
            "joint": lambda: self._get("joint", joint_url(demo.SITE_ID, self._mark())),
            "morning sheet, JSON": lambda: self._get("morning sheet, JSON", f"{SITE}/morning.json"),
            "gas": lambda: self._get("gas", f"{SITE}/gas"),
            "is there a newer plan": lambda: self._get("is there a newer plan", f"{SITE}/plan.json"),
            "reading posted": self._post_reading,
            "joint set to done": self._done_and_back,
        }
        kinds, weights = list(OFTEN), list(OFTEN.values())
        while monotonic() < until:
            await self._pause()
            await does[self._luck.choices(kinds, weights)[0]]()

    async def _pause(self) -> None:
        await asyncio.sleep(THINK_S * self._luck.uniform(0.4, 1.6))

    def _mark(self) -> str:
        return self._luck.choice(self._marks)

    async def _get(self, kind: str, path: str) -> str:
        answer = await self._ask(kind, "GET", path, 200)
        return "" if answer is None else answer.text

    async def _post_reading(self) -> None:
        cold = self._luck.random() < 0.5
        self._seen.changes += cold
        reading = {
            "mark": self._mark(),
            "steel_c": self._luck.uniform(-15.0, -5.0) if cold else self._luck.uniform(60.0, 140.0),
            "stage": "before_heat" if cold else "before_arc",
            "age_s": 30,
            "instrument": "contact thermometer",
            "entry_key": f"load-{self._number:04}-{self._luck.getrandbits(48):012x}",
        }
        kind = f"reading posted, {'cold steel' if cold else 'heated'}"
        await self._ask(kind, "POST", f"{SITE}/readings.json", 200, json=reading)

    async def _done_and_back(self) -> None:
        mark = self._mark()
        for action, shown in (("done", True), ("planned", False)):
            self._seen.changes += 1
            path = joint_url(demo.SITE_ID, mark)
            form = {"mark": mark, "action": action, "back": path}
            answer = await self._ask("joint set to done or back", "POST", f"{SITE}/state", 303, data=form)
            if answer is not None:
                text = await self._get("joint's page after that", answer.headers["location"])
                if text and (IS_DONE in text) != shown:
                    self._seen.error("joint's page after that", f"does not show that {mark} is {action}")
            if action == "done":
                await self._pause()

    async def _ask(self, kind: str, method: str, path: str, status: int, **more: object) -> httpx.Response | None:
        """The answer; None where it is not the one expected."""
        begun = monotonic()
        try:
            answer = await self._client.request(method, path, **more)  # type: ignore[arg-type]
        except httpx.HTTPError as error:
            self._seen.seconds[kind].append(monotonic() - begun)
            self._seen.error(kind, f"{type(error).__name__} {error}".strip())
            return None
        self._seen.seconds[kind].append(monotonic() - begun)
        if answer.status_code != status:
            text = " ".join(re.sub(r"(?s)<head>.*?</head>|<[^>]*>", " ", answer.text).split())
            self._seen.error(kind, f"{answer.status_code} {text[:200]}")
            return None
        return answer


async def _watch_self(seen: Seen) -> None:
    while True:
        begun = monotonic()
        await asyncio.sleep(0.1)
        seen.slip_s.append(monotonic() - begun - 0.1)


async def people(base: str, tokens: Sequence[str], marks: Sequence[str], minutes: float, half_way: Callable[[], None]):  # type: ignore[no-untyped-def]
    """All users until it is over."""
    seen, until = Seen(), monotonic() + 60.0 * minutes
    clients = [browser(base) for _ in tokens]
    users = [User(number, client, marks[number :: len(tokens)], seen) for number, client in enumerate(clients)]
    watch = asyncio.create_task(_watch_self(seen))
    asyncio.get_running_loop().call_later(30.0 * minutes, half_way)
    try:
        await asyncio.gather(*(user.work(token, until) for user, token in zip(users, tokens, strict=True)))
    finally:
        watch.cancel()
        await asyncio.gather(*(client.aclose() for client in clients))
    return seen


def browser(base: str) -> httpx.AsyncClient:
    """A client with cookies of its own, as a browser on our own pages."""
    headers = {"sec-fetch-site": "same-origin", "accept": "text/html"}
    return httpx.AsyncClient(base_url=base, headers=headers, timeout=PATIENCE_S, trust_env=False)


def fill(folder: Path, joints: int) -> None:
    """A store with one site, its forecast, stock and people."""
    engine, now = open_store(f"sqlite:///{(folder / 'frostshift.db').as_posix()}"), utc_now()
    site = demo.demo_site(now)
    read = read_schedule(schedule(joints, now), "week.csv", site, now, 10**8, 100_000)
    assert not read.errors, read.errors[:3]
    with writing(engine) as session:
        save_site(session, site, show_units="us", feed="file")
        import_joints(session, site.id, read.joints, now=now, file_name="week.csv", by="load")
        save_setup(session, site.id, demo.demo_people(), now=now)
        contents = contents_of(kinds_of(site))
        for number, entry in enumerate(demo.demo_stock(now)):
            add_entry(session, site.id, entry, entry_key=f"load-{number}", contents_kg=contents, now=now)
    payload = folder / "forecast.json"
    payload.write_bytes(demo.demo_payload(now))
    Jobs(engine, utc_now, get=None, jitter=lambda: 0.0).take_payload(site.id, payload)
    engine.dispose()


def tokens_of(folder: Path, count: int) -> list[str]:
    """One-time links, as `frostshift sign-in` makes them: of an account each, then one of the owner."""
    engine = open_store(f"sqlite:///{(folder / 'frostshift.db').as_posix()}")
    door = Door(lambda: engine, utc_now)
    emails = [f"user-{number}@site.example" for number in range(count)]
    with writing(engine) as session:
        for number, email in enumerate(emails):
            account = add_account(session, email, f"User {number}", now=utc_now())
            set_role(session, demo.SITE_ID, account.id, "superintendent")
    found = [door.new_link(email).split("token=")[1] for email in [*emails, None]]
    engine.dispose()
    return found


@contextmanager
def serving(folder: Path) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """The service as a command, once it is ready, and its address; ended for certain."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    ours = {name: value for name, value in os.environ.items() if not name.startswith("FROSTSHIFT_")}
    own = {"DATA_DIR": str(folder), "PORT": str(port), "REQUESTS_PER_SECOND": "10000", "LOG_FORMAT": "json"}
    ours |= {f"FROSTSHIFT_{name}": value for name, value in own.items()}
    with (folder / "service.log").open("wb") as log:
        command = [sys.executable, "-m", "frostshift_service.cli", "serve"]
        process = subprocess.Popen(command, env=ours, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        try:
            base = f"http://127.0.0.1:{port}"
            patience = monotonic() + PATIENCE_S
            while not _is_ready(base):
                if process.poll() is not None or monotonic() > patience:
                    raise SystemExit(f"the service does not start: {(folder / 'service.log').read_text()[-2000:]}")
            yield process, base
        finally:
            process.terminate()
            try:
                process.wait(40)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _is_ready(base: str) -> bool:
    try:
        return httpx.get(f"{base}/readyz", timeout=2.0, trust_env=False).status_code == 200
    except httpx.HTTPError:
        return False


def memory_mb(pid: int) -> tuple[float, float]:
    """Resident memory of a process, now and at most so far [MB]."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    kb = {name: int(value) for name, value in re.findall(r"(VmRSS|VmHWM):\s+(\d+) kB", status)}
    return kb["VmRSS"] / 1e3, kb["VmHWM"] / 1e3


def plans_made(text: str) -> tuple[int, float]:
    """Plans of a service so far, and seconds that they took, by its `/metrics`."""
    found = dict(re.findall(r"(?m)^frostshift_plan_seconds_(count|sum) (\S+)$", text))
    return int(float(found["count"])), float(found["sum"])


def percentile(ordered: Sequence[float], share: float) -> float:
    """Of values in order: the least that so large a share does not exceed."""
    return ordered[min(len(ordered) - 1, int(len(ordered) * share))]


def table(seen: Seen) -> Iterator[str]:
    """Lines of the table [ms], and of the errors."""
    yield f"{'kind':32} {'requests':>8} {'p50':>7} {'p95':>7} {'p99':>7} {'most':>7} {'errors':>6}   [ms]"
    everything = sorted(one for values in seen.seconds.values() for one in values)
    for kind, values in [*seen.seconds.items(), ("all", everything)]:
        ordered = sorted(values)
        figures = [*(percentile(ordered, share) for share in (0.5, 0.95, 0.99)), ordered[-1]]
        wrong = seen.errors.total() if kind == "all" else seen.wrong[kind]
        yield f"{kind:32} {len(values):8} " + " ".join(f"{one * 1e3:7.0f}" for one in figures) + f" {wrong:6}"
    slip_ms = [1e3 * one for one in sorted(seen.slip_s)]
    yield f"the clients themselves were late by {percentile(slip_ms, 0.99):.0f} ms (p99), {slip_ms[-1]:.0f} ms (most)"
    for what, count in seen.errors.most_common():
        yield f"error, {count} times: {what}"


def warnings_in(log: Path) -> Counter[str]:
    """Messages of the service's log that are worse than news."""
    found: Counter[str] = Counter()
    for line in log.read_text(encoding="utf-8").splitlines():
        try:
            event = json.loads(line)
        except ValueError:
            continue
        if str(event.get("level", "")).lower() in ("warning", "error", "critical"):
            found[f"{event['level']}: {event['event'][:200]}"] += 1
    return found


def main() -> None:
    """Fill, serve, look, print."""
    users = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    minutes = float(sys.argv[2]) if len(sys.argv) > 2 else 10.0
    joints = int(sys.argv[3]) if len(sys.argv) > 3 else 5_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fill(folder, joints)
        tokens = tokens_of(folder, users)
        with serving(folder) as (process, base), httpx.Client(base_url=base, timeout=300.0, trust_env=False) as owner:
            owner.headers["sec-fetch-site"] = "same-origin"
            assert owner.post("/enter", data={"token": tokens.pop()}).status_code == 303
            memory = {"ready": memory_mb(process.pid)}
            begun = monotonic()
            sheet = owner.get(f"{SITE}/morning.json")
            assert sheet.status_code == 200, sheet.text[:500]
            print(f"{joints:,} joints; the first sheet after {monotonic() - begun:.1f} s")
            marks = sorted(line["mark"] for shift in sheet.json()["shifts"] for line in shift["lines"])
            assert len(marks) >= users, "fewer joints in the next shifts than users"
            before = plans_made(owner.get("/metrics").text)
            memory["start"] = memory_mb(process.pid)

            def half_way() -> None:
                memory["middle"] = memory_mb(process.pid)

            seen: Seen = asyncio.run(people(base, tokens, marks, minutes, half_way))
            memory["end"] = memory_mb(process.pid)
            total = sum(map(len, seen.seconds.values()))
            print(f"{users} users for {minutes:g} min, {total / 60 / minutes:.1f} requests a second")
            print("\n".join(table(seen)), flush=True)
            after = plans_made(owner.get("/metrics").text)
        made, took_s = after[0] - before[0], after[1] - before[1]
        each = f", {took_s / made:.1f} s each, {took_s / 60 / minutes:.0%} of the time" if made else ""
        print(f"{seen.changes} changes of the site; {made} plans made{each}")
        for when, (now_mb, most_mb) in memory.items():
            print(f"memory of the service, {when}: {now_mb:.0f} MB, at most {most_mb:.0f} MB so far")
        for what, count in warnings_in(folder / "service.log").most_common(20):
            print(f"log, {count} times: {what}")


if __name__ == "__main__":
    main()
