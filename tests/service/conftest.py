"""An empty database on each of the two kinds."""

from pathlib import Path
from uuid import uuid4

import psycopg
import pytest
from sqlalchemy import make_url


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Address of an empty database; on PostgreSQL an empty schema of its own in the session's database."""
    if request.param == "sqlite":
        return f"sqlite:///{(tmp_path / 'store.db').as_posix()}"
    server = make_url(request.getfixturevalue("postgres_url")).set(drivername="postgresql")
    schema = f"s{uuid4().hex}"
    with psycopg.connect(server.render_as_string(hide_password=False), autocommit=True) as connection:
        connection.execute(f'CREATE SCHEMA "{schema}"')
    return server.update_query_dict({"options": f"-csearch_path={schema}"}).render_as_string(hide_password=False)
