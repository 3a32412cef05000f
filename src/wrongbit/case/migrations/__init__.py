"""How the journal's tables came to be: one module a step in ``versions``, run in order by Alembic.

A step that was released is never changed; a change of `wrongbit.case.tables` is a new step, and its number
goes to the end of ``REVISIONS`` there.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sqlalchemy import Connection


def migrate(connection: Connection) -> None:
    """Bring the tables up to date inside the transaction that is open on the connection."""
    from alembic.config import Config
    from alembic.runtime.environment import EnvironmentContext
    from alembic.runtime.migration import MigrationContext
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    scripts = ScriptDirectory.from_config(config)

    def steps(revision: object, context: MigrationContext) -> list[object]:
        return scripts._upgrade_revs("head", revision)  # type: ignore[arg-type,return-value]

    with EnvironmentContext(config, scripts, fn=steps) as environment:
        environment.configure(connection=connection)
        environment.run_migrations()
