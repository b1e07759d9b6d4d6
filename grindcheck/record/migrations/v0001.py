"""The first schema."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make all tables."""
    op.create_table(
        "knives", _id(), _text("made_at", sa.String(32)), sa.PrimaryKeyConstraint("id", name="pk_knives")
    )
    op.create_table(
        "facts", _id(), *_of_knife("facts"),
        _text("name"), _text("sort_name"), _text("pattern"), _text("steel"),
        sa.Column("thickness_mm", sa.Double(), nullable=True),
        _text("grind"), _text("buyer_reference"), _json("private"), _text("notes"), _text("words"),
    )  # fmt: skip
    op.create_table("stages", _id(), *_of_knife("stages"), _text("name"), _text("note"))
    op.create_table(
        "notes", _id(), *_of_knife("notes"), _reference("stage_id"),
        _text("kind"), _reference("corrects"), _json("fields"),
    )  # fmt: skip
    op.create_table(
        "photos",
        _text("sha256", sa.String(64)), _text("suffix"),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in ("size_bytes", "width", "height")),
        _text("added_at", sa.String(32)),
        sa.PrimaryKeyConstraint("sha256", name="pk_photos"),
    )  # fmt: skip
    op.create_table(
        "checks", _id(), *_of_knife("checks"), _reference("stage_id"),
        _text("kind"), _reference("again_of"), _json("asked"),
    )  # fmt: skip
    op.create_table(
        "check_photos",
        _text("check_id", sa.String(32)), sa.Column("position", sa.Integer(), nullable=False),
        _text("sha256", sa.String(64)), _text("name"), _text("role"),
        sa.PrimaryKeyConstraint("check_id", "position", name="pk_check_photos"),
        sa.ForeignKeyConstraint(["check_id"], ["checks.id"], name="fk_check_photos_check_id"),
        sa.ForeignKeyConstraint(["sha256"], ["photos.sha256"], name="fk_check_photos_sha256"),
    )  # fmt: skip
    op.create_table(
        "outcomes", _id(), _text("check_id", sa.String(32)), _text("at", sa.String(32)),
        *map(_text, ("state", "verdict", "headline", "error", "advice")),
        sa.Column("error_photo", sa.Integer(), nullable=True),
        _text("program_version"), _json("result"),
        sa.PrimaryKeyConstraint("id", name="pk_outcomes"),
        sa.ForeignKeyConstraint(["check_id"], ["checks.id"], name="fk_outcomes_check_id"),
    )  # fmt: skip
    op.create_table(
        "binned",
        _text("entity", sa.String(16)), _text("entity_id", sa.String(32)), _text("at", sa.String(32)),
        sa.PrimaryKeyConstraint("entity", "entity_id", name="pk_binned"),
    )  # fmt: skip
    for table in ("facts", "stages", "notes", "checks"):
        op.create_index(f"ix_{table}_knife_id_at", table, ["knife_id", "at"])
    op.create_index("ix_outcomes_check_id_at", "outcomes", ["check_id", "at"])
    op.create_index("ix_check_photos_sha256", "check_photos", ["sha256"])


def _id() -> "sa.Column[str]":
    return sa.Column("id", sa.String(32), nullable=False)


def _text(name: str, kind: "sa.types.TypeEngine[str] | None" = None) -> "sa.Column[str]":
    return sa.Column(name, sa.Text() if kind is None else kind, nullable=False)


def _json(name: str) -> "sa.Column[object]":
    return sa.Column(name, sa.JSON(), nullable=False)


def _reference(name: str) -> "sa.Column[str]":
    return sa.Column(name, sa.String(32), nullable=True)


def _of_knife(table: str) -> "tuple[sa.schema.SchemaItem, ...]":
    return (
        _text("knife_id", sa.String(32)),
        _text("at", sa.String(32)),
        sa.PrimaryKeyConstraint("id", name=f"pk_{table}"),
        sa.ForeignKeyConstraint(["knife_id"], ["knives.id"], name=f"fk_{table}_knife_id"),
    )
