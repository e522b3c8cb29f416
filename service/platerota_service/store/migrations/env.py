"""Run by alembic for each upgrade, with the connection that :mod:`platerota_service.store.upgrading` opened."""

from alembic import context

from platerota_service.store.schema import Base


def _run() -> None:
    context.configure(connection=context.config.attributes["connection"], target_metadata=Base.metadata, render_as_batch=True)
    with context.begin_transaction():
        context.run_migrations()


_run()
