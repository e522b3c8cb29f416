"""The schema's revisions: bring a database to the newest, or say that it is not there."""

from __future__ import annotations

from collections.abc import Generator
from contextlib import contextmanager

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from platerota_service.store.errors import StoreError

_LOCK = 7_319_022_001
"""The PostgreSQL advisory lock under which one process at a time upgrades."""


def revisions() -> tuple[str, ...]:
    """The schema's revisions, the first one first."""
    return tuple(reversed([script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()]))


def upgrade(engine: sa.Engine, revision: str = "head") -> None:
    """Bring the tables of `engine`'s database to `revision`; nothing where they are there already.

    Raises
    ------
    StoreError
        Where the database is newer than this program.
    """
    with engine.connect() as connection, _held(connection):
        _check_known(current(connection))
        config = _config()
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
        connection.commit()


@contextmanager
def _held(connection: sa.Connection) -> Generator[None]:
    """A transaction in which no other process upgrades, and in which tables may be made anew."""
    if connection.dialect.name == "postgresql":
        connection.execute(sa.text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})
        yield
        return
    # SQLite changes a table by making it anew; with foreign keys enforced, dropping the old one would take along what refers to it
    # (https://sqlite.org/lang_altertable.html#otheralter). The setting holds outside of transactions alone.
    connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
    # The driver begins a transaction before it changes rows, but not before it makes tables.
    connection.exec_driver_sql("BEGIN IMMEDIATE")
    try:
        yield
    finally:
        connection.rollback()
        connection.exec_driver_sql("PRAGMA foreign_keys=ON")


def check_newest(engine: sa.Engine) -> None:
    """Nothing where the database has the newest schema.

    Raises
    ------
    StoreError
        Where it has not.
    """
    with engine.connect() as connection:
        found = current(connection)
    _check_known(found)
    if found != revisions()[-1]:
        words = "has no tables yet" if found is None else f"has an older schema ({found})"
        raise StoreError(f"the database {words}; run 'platerota store upgrade' once, before the service starts")


def current(connection: sa.Connection) -> str | None:
    """The revision a database has; None for an empty one."""
    return MigrationContext.configure(connection).get_current_revision()


def _check_known(revision: str | None) -> None:
    if revision is not None and revision not in revisions():
        raise StoreError(f"the database has the schema {revision}, which this version does not know; run a newer version")


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", "platerota_service.store:migrations")
    return config
