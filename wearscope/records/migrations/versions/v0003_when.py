"""When a cutter was used or sharpened, where that is not when it was written down."""

import sqlalchemy as sa
from alembic import op

from wearscope.errors import RecordsError

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the column; what is there already happened when it was recorded."""
    op.add_column("entries", sa.Column("happened_at", sa.String))


def downgrade() -> None:
    """Refused: going back would throw records away."""
    raise RecordsError("records are never taken back to an older form; restore a copy of them instead")
