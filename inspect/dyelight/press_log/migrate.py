"""Bring a log's tables to this program's version, inside the caller's transaction."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection

MIGRATIONS = Path(__file__).resolve().parent / "migrations"


def alembic_config(connection: Connection | None = None) -> Config:
    """Alembic's settings, without a settings file; `connection` is the one to work on."""
    config = Config()
    # a per cent sign in the path would be taken for the start of a variable
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def upgrade(connection: Connection) -> None:
    """Apply every migration that this log lacks. All are kept or none: the caller commits."""
    command.upgrade(alembic_config(connection), "head")
