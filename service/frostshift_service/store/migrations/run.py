"""Bring a database to the newest schema."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Final

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, text

from frostshift_service.store.records import StoreError

_LOCK: Final = 0x66726F7374  # any number that nobody else of the database takes


def config() -> Config:
    """Alembic's settings; there is no ini file."""
    made = Config()
    made.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    made.set_main_option("path_separator", "os")
    return made


@cache
def heads() -> frozenset[str]:
    """The newest schema that this version knows."""
    return frozenset(ScriptDirectory.from_config(config()).get_heads())


def upgrade_to_head(connection: Connection) -> None:
    """Run the missing steps in the transaction of `connection`: all of them or, after an error, none.

    Of several copies that start at once one works and the others wait and find nothing to do (`hold_schema`). On SQLite
    foreign keys have to be off.

    Raises:
        StoreError: the database has a schema that this version does not know.
    """
    hold_schema(connection)
    if schema_of(connection) != newest_schema():
        run_steps(connection, "head")


def hold_schema(connection: Connection) -> None:
    """Be the only one to change the schema, until the transaction ends.

    On PostgreSQL by an advisory lock; on SQLite the transaction began IMMEDIATE, which is as good.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})


def schema_of(connection: Connection) -> str | None:
    """The schema of a database; None where it has none yet.

    Raises:
        StoreError: this version does not know it.
    """
    heads = MigrationContext.configure(connection).get_current_heads()
    for schema in heads:
        if not is_known(schema):
            raise StoreError(
                f"the database has schema {schema}, which this version does not know: it was written by a newer "
                "version. Install that one, or restore a backup from before the update"
            )
    return heads[0] if heads else None


def is_known(schema: str) -> bool:
    """Whether this version has the steps to a schema."""
    return schema in {step.revision for step in ScriptDirectory.from_config(config()).walk_revisions()}


def newest_schema() -> str | None:
    """The schema that this version works with."""
    return ScriptDirectory.from_config(config()).get_current_head()


def run_steps(connection: Connection, schema: str, *, back: bool = False) -> None:
    """Run the steps to a schema ahead, or `back` to one behind, in the transaction of `connection`."""
    settings = config()
    settings.attributes["connection"] = connection
    (command.downgrade if back else command.upgrade)(settings, schema)
