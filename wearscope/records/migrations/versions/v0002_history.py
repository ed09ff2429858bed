"""All that is known about a cutter and its use, calibrations and limits as texts, diameters, a history of every write."""

import json
from datetime import UTC, datetime
from hashlib import sha256

import sqlalchemy as sa
from alembic import op

from wearscope.errors import RecordsError

revision = "0002"
down_revision = "0001"

COLUMNS = {
    "cutters": (
        "assumed VARCHAR NOT NULL DEFAULT ''",
        "flute_form VARCHAR",
        "up_cut_length_mm DOUBLE PRECISION",
        "coating VARCHAR",
        "shank_mm DOUBLE PRECISION",
        "max_speed_rpm INTEGER",
        "bought VARCHAR",
        "sharpened VARCHAR",
    ),
    "inspections": (
        "calibration_sha256 VARCHAR(64) REFERENCES calibrations (sha256)",
        "limits_sha256 VARCHAR(64) REFERENCES limits (sha256)",
        "as_new BOOLEAN NOT NULL DEFAULT false",
    ),
    "entries": (
        "metres DOUBLE PRECISION",
        "work_material VARCHAR",
        "speed_rpm DOUBLE PRECISION",
        "feed_mm_min DOUBLE PRECISION",
    ),
}


def upgrade() -> None:
    """Add tables and columns; what is there already begins the history as it is found."""
    op.create_table(
        "calibrations",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("name", sa.String, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("target_sha256", sa.String(64), nullable=False),
    )
    op.create_table(
        "limits",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("name", sa.String, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
    )
    op.create_table(
        "diameters",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("cutter_id", sa.String, sa.ForeignKey("cutters.id"), nullable=False),
        sa.Column("recorded_at", sa.String, nullable=False),
        sa.Column("value_mm", sa.Float, nullable=False),
        sa.Column("uncertainty_mm", sa.Float, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("as_new", sa.Boolean, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
    )
    op.create_table(
        "history",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("recorded_at", sa.String, nullable=False),
        sa.Column("what", sa.String, nullable=False),
        sa.Column("about", sa.String, nullable=False),
        sa.Column("key", sa.String, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
        sa.Column("link", sa.String(64), nullable=False, unique=True),
    )
    op.create_index("history_of", "history", ["about", "key"])
    op.create_index("inspections_of", "inspections", ["cutter_id"])
    op.create_index("entries_of", "entries", ["cutter_id"])
    op.create_index("overrules_of", "overrules", ["inspection_id"])
    for table, columns in COLUMNS.items():
        for column in columns:
            op.execute(f"ALTER TABLE {table} ADD COLUMN {column}")
    op.add_column("inspection_photos", sa.Column("curves", sa.LargeBinary))
    _begin_history()


def _begin_history() -> None:
    connection = op.get_bind()
    now, last = datetime.now(UTC).isoformat(timespec="milliseconds"), "0" * 64
    insert = sa.text(
        "INSERT INTO history (recorded_at, what, about, key, content, link) "
        "VALUES (:recorded_at, 'found', :about, :key, :content, :link)"
    )
    for about, columns in (
        ("cutters", "id, kind, material, diameter_mm, nominal_radius_mm, flutes, note, added_at"),
        ("inspections", "id, link"),
        ("entries", "id, cutter_id, recorded_at, what, minutes, note, withdrawn_at"),
        ("overrules", "id, inspection_id, recorded_at, grade, reason"),
    ):
        for row in connection.execute(sa.text(f"SELECT {columns} FROM {about} ORDER BY id")).mappings().all():
            key, content = str(row["id"]), json.dumps(dict(row), sort_keys=True)
            last = sha256(json.dumps([last, now, "found", about, key, content]).encode()).hexdigest()
            line = {"recorded_at": now, "about": about, "key": key, "content": content, "link": last}
            connection.execute(insert, line)


def downgrade() -> None:
    """Refused: going back would throw records away."""
    raise RecordsError("records are never taken back to an older form; restore a copy of them instead")
