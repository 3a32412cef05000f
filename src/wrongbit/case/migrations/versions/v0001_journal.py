"""The journal: cases and their entries."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(32), "sqlite")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "cases",
        sa.Column("id", sa.String(36), primary_key=True),
        sa.Column("begun", MOMENT, nullable=False),
    )
    op.create_table(
        "entries",
        sa.Column("case_id", sa.String(36), sa.ForeignKey("cases.id"), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("person", sa.Text, nullable=False),
        sa.Column("version", sa.Text, nullable=False),
        sa.Column("kind", sa.String(32), nullable=False),
        sa.Column("content", sa.Text, nullable=False),
        sa.Column("withdraws", sa.Integer),
        sa.Column("what", sa.Text),
        sa.Column("finding_key", sa.Text),
        sa.Column("origin", sa.Text, nullable=False),
        sa.Column("seal", sa.String(64), nullable=False),
    )
    op.create_index("entries_by_kind", "entries", ["case_id", "kind", "number"])
    op.create_index("entries_by_finding", "entries", ["case_id", "what", "finding_key"])


def downgrade() -> None:
    """Take the tables away, with all that is in them."""
    op.drop_table("entries")
    op.drop_table("cases")
