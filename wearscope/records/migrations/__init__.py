"""Migrations of the records, run by Alembic when records are opened."""
