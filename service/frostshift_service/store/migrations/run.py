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

    Of several copies that start at once one works and the others wait and find nothing to do: on PostgreSQL by an
    advisory lock that ends with the transaction, on SQLite because the transaction began IMMEDIATE. On SQLite foreign
    keys have to be off.

    Raises:
        StoreError: the database has a schema that this version does not know.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
    settings = config()
    script = ScriptDirectory.from_config(settings)
    now = MigrationContext.configure(connection).get_current_heads()
    known = {step.revision for step in script.walk_revisions()}
    unknown = sorted(set(now) - known)
    if unknown:
        raise StoreError(
            f"the database has schema {unknown[0]}, which this version does not know: it was written by a newer "
            "version. Install that one, or restore a backup from before the update"
        )
    if set(now) == set(script.get_heads()):
        return
    settings.attributes["connection"] = connection
    command.upgrade(settings, "head")
