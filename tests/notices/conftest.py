"""A store with a site, a clock that is moved by hand, and receivers in a process of their own."""

from collections.abc import Iterator

import pytest
from sqlalchemy import Engine
from tests.notices.made import NOW
from tests.notices.receivers import Receivers, receiving
from tests.service.conftest import blank_database, blank_file, blank_url, run, store_url  # noqa: F401  # the same
from tests.service.weather_site import NWS, Clock

from frostshift_service.store.engine import open_store, writing
from frostshift_service.store.sites import save_site


@pytest.fixture(scope="module")
def receivers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Receivers]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NO_PROXY", "127.0.0.1")
        with receiving(tmp_path_factory.mktemp("received"), tls=True) as made:
            yield made


@pytest.fixture
def clock() -> Clock:
    return Clock(NOW)


@pytest.fixture
def engine(blank_url: str) -> Iterator[Engine]:  # noqa: F811
    made = open_store(blank_url)
    with writing(made) as session:
        save_site(session, NWS)
    yield made
    made.dispose()
