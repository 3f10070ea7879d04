"""What the tests of the service share: an empty database on each of the two kinds, and the command in this process."""

import os
import shutil
import sqlite3
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

import httpx
import psycopg
import pytest
import stamina
from sqlalchemy import URL, Engine, make_url
from tests.service.weather_site import NOW, Clock, WeatherServer

from frostshift_service import cli, http
from frostshift_service.store.engine import open_store

CLOCK = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
"""What the clock shows to the command."""


BOTH = ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)]


@pytest.fixture(params=BOTH)
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Address of an empty database; on PostgreSQL an empty schema of its own in the session's database."""
    if request.param == "sqlite":
        return f"sqlite:///{(tmp_path / 'store.db').as_posix()}"
    server = make_url(request.getfixturevalue("postgres_url")).set(drivername="postgresql")
    schema = f"s{uuid4().hex}"
    with psycopg.connect(server.render_as_string(hide_password=False), autocommit=True) as connection:
        connection.execute(f'CREATE SCHEMA "{schema}"')
    return server.update_query_dict({"options": f"-csearch_path={schema}"}).render_as_string(hide_password=False)


# All steps of the schema take a quarter of a second of processor: `open_store` runs them once a session, on each of the
# two, and tests get copies. The steps themselves are tested on `store_url`.


@pytest.fixture(scope="session")
def blank_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with nothing in it, to be copied."""
    path = tmp_path_factory.mktemp("blank") / "store.db"
    open_store(f"sqlite:///{path.as_posix()}").dispose()  # the last connection closes: everything is in the one file
    return path


@pytest.fixture(scope="session")
def blank_database(postgres_url: str) -> Iterator[URL]:
    """The same on PostgreSQL: address of a database to be copied."""
    server = make_url(postgres_url).set(drivername="postgresql")
    blank = server.set(database=f"frostshift_blank_{uuid4().hex}")  # one for each conftest that takes this fixture over
    with psycopg.connect(server.render_as_string(hide_password=False), autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{blank.database}"')
        open_store(blank.render_as_string(hide_password=False)).dispose()
        yield blank
        connection.execute(f'DROP DATABASE "{blank.database}" WITH (FORCE)')


@pytest.fixture(params=BOTH)
def blank_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Address of a store of its own with nothing in it, on SQLite and on PostgreSQL."""
    if request.param == "sqlite":
        path = shutil.copy(request.getfixturevalue("blank_file"), tmp_path / "store.db")
        yield f"sqlite:///{path.as_posix()}"
        return
    blank: URL = request.getfixturevalue("blank_database")
    copy = f"{blank.database}_{uuid4().hex[:8]}"
    server = request.getfixturevalue("postgres_url").replace("postgresql+psycopg:", "postgresql:")
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{copy}" TEMPLATE "{blank.database}"')
        yield blank.set(database=copy).render_as_string(hide_password=False)
        connection.execute(f'DROP DATABASE "{copy}" WITH (FORCE)')


@pytest.fixture(scope="module")
def client() -> Iterator[httpx.Client]:
    """The app's HTTP client, going straight to loopback; one a module, as reading the certificates is slow."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NO_PROXY", "127.0.0.1")
        with http.make_client("crew@site.example", "1.2.3") as made:
            yield made


@dataclass(frozen=True)
class Said:
    """What a command printed, and its exit code."""

    code: int
    out: str
    err: str

    def good(self) -> str:
        """The output of a command that did what it was asked."""
        assert (self.code, self.err) == (0, "")
        return self.out

    def refused(self) -> str:
        """What a command that did nothing said, without its last line end."""
        assert (self.code, self.out) == (1, "")
        return self.err.removesuffix("\n")


@pytest.fixture
def run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Iterator[Callable[..., Said]]:
    """Runs `frostshift` with arguments, data in `tmp_path`, at `CLOCK`; no traceback may reach the user."""
    for name in [name for name in os.environ if name.startswith("FROSTSHIFT_") and "TEST" not in name]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("FROSTSHIFT_DATA_DIR", str(tmp_path / "data"))
    monkeypatch.setattr("frostshift_service.clock.utc_now", lambda: CLOCK)
    monkeypatch.chdir(tmp_path)
    level = cli.log.level

    def command(*arguments: str) -> Said:
        monkeypatch.setattr(sys, "argv", ["frostshift", *arguments])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        out, err = capsys.readouterr()
        code = ended.value.code
        assert isinstance(code, int)
        assert "Traceback" not in out + err
        return Said(code, out, err)

    yield command
    cli.log.setLevel(level)


@pytest.fixture
def store_rows(tmp_path: Path) -> Callable[[], dict[str, list[tuple[object, ...]]]]:
    """Reads everything in the command's store but its plans."""

    def read() -> dict[str, list[tuple[object, ...]]]:
        with closing(sqlite3.connect(tmp_path / "data" / "frostshift.db")) as store:
            names = [name for (name,) in store.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
            return {name: store.execute(f'SELECT * FROM "{name}"').fetchall() for name in names if name != "plan"}

    return read


@pytest.fixture
def one_attempt() -> Iterator[None]:
    """No second try within a request, and so no pause."""
    with stamina.set_testing(True, attempts=1):
        yield


@pytest.fixture
def clock() -> Clock:
    return Clock(NOW)


@pytest.fixture
def server(clock: Clock) -> Iterator[WeatherServer]:
    made = WeatherServer(clock)
    thread = threading.Thread(target=made.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    yield made
    made.shutdown()
    thread.join()
    made.server_close()


@pytest.fixture
def engine(tmp_path: Path, blank_file: Path) -> Iterator[Engine]:
    shutil.copy(blank_file, tmp_path / "jobs.db")
    made = open_store(f"sqlite:///{(tmp_path / 'jobs.db').as_posix()}")
    yield made
    made.dispose()


@pytest.fixture
def either(blank_url: str) -> Iterator[Engine]:
    """A store on SQLite, and on PostgreSQL."""
    made = open_store(blank_url)
    yield made
    made.dispose()
