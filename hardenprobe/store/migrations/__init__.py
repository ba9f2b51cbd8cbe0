"""The steps from one format of a store to the next, for alembic; a revision is the number of a format."""
