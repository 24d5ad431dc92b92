"""What Alembic runs: the steps on the connection that was handed in."""

from alembic import context

context.configure(
    connection=context.config.attributes["connection"],
    transactional_ddl=True,
    transaction_per_migration=False,
    render_as_batch=True,
)
context.run_migrations()
