"""Write a new step from the difference between the newest schema and `tables.py`."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from alembic import command
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine

from frostshift_service.store.migrations.run import config, upgrade_to_head


def main(message: str) -> None:
    """Write `versions/NNNN_message.py` against an empty SQLite database at the newest schema."""
    with tempfile.TemporaryDirectory() as folder:
        engine = create_engine(f"sqlite:///{(Path(folder) / 'new.db').as_posix()}")
        with engine.begin() as connection:
            upgrade_to_head(connection)
            settings = config()
            settings.attributes["connection"] = connection
            steps = len(list(ScriptDirectory.from_config(settings).walk_revisions()))
            command.revision(settings, message, autogenerate=True, rev_id=f"{steps + 1:04d}")
        engine.dispose()


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit('usage: python -m frostshift_service.store.migrations "what changed"')
    main(sys.argv[1])
