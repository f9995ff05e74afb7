"""Run migrations on the connection that database.py opened; there is no alembic.ini."""

from alembic import context

from earwitness.archive.schema import Base

context.configure(
    connection=context.config.attributes["connection"], target_metadata=Base.metadata, render_as_batch=True
)
with context.begin_transaction():
    context.run_migrations()
