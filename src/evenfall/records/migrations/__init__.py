"""Steps from each schema of the database to the next, run by Alembic."""
