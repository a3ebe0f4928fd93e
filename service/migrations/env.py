"""Run by alembic inside `Database.migrate`, on the connection that it hands over."""

from __future__ import annotations

from alembic import context

from service.store.models import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
