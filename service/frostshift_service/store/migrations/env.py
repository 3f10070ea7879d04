"""Alembic runs this for every command, on the connection that `run` or `__main__` gave it."""

from typing import Any, Literal

from alembic import context
from sqlalchemy import Connection
from sqlmodel import AutoString
from sqlmodel.sql.sqltypes import UTCDateTime

from frostshift_service.store.tables import Table


def _render(kind: str, item: Any, _context: object) -> str | Literal[False]:
    """A step names the plain type behind SQLModel's own, and so does not change with SQLModel."""
    if kind == "type" and isinstance(item, AutoString):
        return "sa.String()"
    if kind == "type" and isinstance(item, UTCDateTime):
        return "sa.DateTime(timezone=True)"
    return False


connection: Connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=Table.metadata,
    render_as_batch=connection.dialect.name == "sqlite",
    render_item=_render,
)
context.run_migrations()  # in the caller's transaction: all steps are kept or none
