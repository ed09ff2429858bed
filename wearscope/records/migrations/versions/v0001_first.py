"""The first tables."""

import sqlalchemy as sa
from alembic import op

from wearscope.errors import RecordsError

revision = "0001"
down_revision = None


def _cutter() -> sa.Column[str]:
    return sa.Column("cutter_id", sa.String, sa.ForeignKey("cutters.id"), nullable=False)


def upgrade() -> None:
    """Create all tables of the first version."""
    op.create_table(
        "cutters",
        sa.Column("id", sa.String, primary_key=True),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("material", sa.String, nullable=False),
        sa.Column("diameter_mm", sa.Float, nullable=False),
        sa.Column("nominal_radius_mm", sa.Float, nullable=False),
        sa.Column("flutes", sa.Integer),
        sa.Column("note", sa.String, nullable=False),
        sa.Column("added_at", sa.String, nullable=False),
    )
    op.create_table(
        "inspections",
        sa.Column("id", sa.Integer, primary_key=True),
        _cutter(),
        sa.Column("recorded_at", sa.String, nullable=False),
        sa.Column("grade", sa.String, nullable=False),
        sa.Column("complete", sa.Boolean, nullable=False),
        sa.Column("limits_id", sa.String, nullable=False),
        sa.Column("software", sa.String, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.Column("link", sa.String(64), nullable=False, unique=True),
    )
    op.create_table(
        "photos",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("path", sa.String, nullable=False),
    )
    op.create_table(
        "inspection_photos",
        sa.Column("inspection_id", sa.Integer, sa.ForeignKey("inspections.id"), primary_key=True),
        sa.Column("sha256", sa.String(64), sa.ForeignKey("photos.sha256"), primary_key=True),
    )
    op.create_table(
        "entries",
        sa.Column("id", sa.Integer, primary_key=True),
        _cutter(),
        sa.Column("recorded_at", sa.String, nullable=False),
        sa.Column("what", sa.String, nullable=False),
        sa.Column("minutes", sa.Float),
        sa.Column("note", sa.String, nullable=False),
        sa.Column("withdrawn_at", sa.String),
    )
    op.create_table(
        "overrules",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("inspection_id", sa.Integer, sa.ForeignKey("inspections.id"), nullable=False),
        sa.Column("recorded_at", sa.String, nullable=False),
        sa.Column("grade", sa.String, nullable=False),
        sa.Column("reason", sa.String, nullable=False),
    )


def downgrade() -> None:
    """Refused: going back would throw records away."""
    raise RecordsError("records are never taken back to an older form; restore a copy of them instead")
