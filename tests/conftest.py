"""What all tests share: tests that need more than Python are skipped with the reason, and fail instead in CI.

`.ci/run` sets FROSTSHIFT_CI=1, FROSTSHIFT_TEST_BROWSER (path of Chromium) and FROSTSHIFT_TEST_POSTGRES (SQLAlchemy
URL of a server where databases may be made and dropped). Elsewhere a Chromium on the PATH is used where there is one.
"""

import functools
import os
import shutil
from collections.abc import Iterator
from typing import Final
from uuid import uuid4

import psycopg
import pytest
from hypothesis import settings
from sqlalchemy import make_url

# Before numpy is there: its threads wait for each other in a loop, and of two processors each test process has one. The
# demo's plan took 11 s of processor with two threads a process, 1.4 s with one.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

settings.register_profile("house", deadline=None)  # machines are shared: no test may hang on their speed
settings.load_profile("house")


LONG: Final = {
    "test_crawl.py",
    "test_faults.py",
    "test_finite_elements.py",
    "test_heating_properties.py",
    "test_kill_while_pulling.py",
    "test_killing.py",
    "test_openapi.py",
    "test_readings_pages.py",
    "test_simulated_week.py",
    "test_story.py",
    "test_winter.py",
}
"""Files that take a worker longest; they begin first, so that none of them is left to one worker at the end."""


@functools.cache
def found_chromium() -> str | None:
    names = ("chromium", "chromium-browser")
    return os.environ.get("FROSTSHIFT_TEST_BROWSER") or next(filter(None, map(shutil.which, names)), None)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: item.path.name not in LONG)
    if "network" not in config.getoption("markexpr"):
        off = pytest.mark.skip(reason="talks to a real service; asked for with -m network")
        for item in items:
            if item.get_closest_marker("network"):
                item.add_marker(off)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    lacking = []
    if item.get_closest_marker("browser") and found_chromium() is None:
        lacking.append("no Chromium on the PATH or in FROSTSHIFT_TEST_BROWSER")
    if item.get_closest_marker("postgres") and "FROSTSHIFT_TEST_POSTGRES" not in os.environ:
        lacking.append("no PostgreSQL server in FROSTSHIFT_TEST_POSTGRES")
    if lacking:
        (pytest.fail if os.environ.get("FROSTSHIFT_CI") == "1" else pytest.skip)("; ".join(lacking))


@pytest.fixture(scope="session")
def chromium_path() -> str:
    """Path of Chromium; for tests marked `browser`."""
    path = found_chromium()
    assert path is not None, "mark this test `browser`"
    return path


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """SQLAlchemy URL of a fresh, empty database, dropped after the session; for tests marked `postgres`."""
    server = make_url(os.environ["FROSTSHIFT_TEST_POSTGRES"])
    name = f"frostshift_test_{uuid4().hex}"
    admin = server.set(drivername="postgresql").render_as_string(hide_password=False)
    with psycopg.connect(admin, autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}"')
    yield server.set(database=name).render_as_string(hide_password=False)
    with psycopg.connect(admin, autocommit=True) as connection:
        connection.execute(f'DROP DATABASE "{name}" WITH (FORCE)')
