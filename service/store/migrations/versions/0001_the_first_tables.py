"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "animal",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("species", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("animal", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_animal_name"), ["name"], unique=True)

    op.create_table(
        "change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("before", sa.JSON(), nullable=True),
        sa.Column("after", sa.JSON(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("change", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_change_at"), ["at"], unique=False)

    op.create_table(
        "contact",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("route", sa.String(), nullable=False),
        sa.Column("priority", sa.String(), nullable=False),
        sa.Column("hours", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
    )
    op.create_table(
        "counter",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("value", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
    op.create_table(
        "escalation",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("step", sa.Integer(), nullable=False),
        sa.Column("after_minutes", sa.Float(), nullable=False),
        sa.Column("contacts", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("step"),
    )
    op.create_table(
        "probe",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("retired_at", sa.BigInteger(), nullable=True),
        sa.Column("model", sa.String(), nullable=False),
        sa.Column("topic", sa.String(), nullable=False),
        sa.Column("format", sa.String(), nullable=False),
        sa.Column("every_s", sa.Float(), nullable=True),
        sa.Column("time_pointer", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("probe", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_probe_key"), ["key"], unique=True)
        batch_op.create_index(batch_op.f("ix_probe_topic"), ["topic"], unique=False)

    op.create_table(
        "profile",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("retired_at", sa.BigInteger(), nullable=True),
        sa.Column("species", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("profile", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_profile_key"), ["key"], unique=True)

    op.create_table(
        "reading",
        sa.Column("channel_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("value", sa.Float(precision=53), nullable=False),
        sa.Column("flags", sa.SmallInteger(), nullable=False),
        sa.PrimaryKeyConstraint("channel_id", "at_ms"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "receipt",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("session", sa.String(), nullable=False),
        sa.Column("messages", sa.Integer(), nullable=False),
        sa.Column("entries", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("receipt", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_receipt_session"), ["session"], unique=False)

    op.create_table(
        "refused_message",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("received_at", sa.BigInteger(), nullable=False),
        sa.Column("topic", sa.String(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "refused_topic",
        sa.Column("topic", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("count", sa.BigInteger(), nullable=False),
        sa.Column("first_at", sa.BigInteger(), nullable=False),
        sa.Column("last_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("topic"),
    )
    op.create_table(
        "room",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("retired_at", sa.BigInteger(), nullable=True),
        sa.Column("name", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("room", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_room_key"), ["key"], unique=True)

    op.create_table(
        "site",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("timezone", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "channel",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("probe_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.String(), nullable=False),
        sa.Column("pointer", sa.String(), nullable=True),
        sa.Column("unit", sa.String(), nullable=True),
        sa.Column("retired_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(
            ["probe_id"],
            ["probe.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("channel", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_channel_key"), ["key"], unique=True)
        batch_op.create_index(batch_op.f("ix_channel_probe_id"), ["probe_id"], unique=False)

    op.create_table(
        "enclosure",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("retired_at", sa.BigInteger(), nullable=True),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("room_id", sa.Integer(), nullable=False),
        sa.Column("rack", sa.String(), nullable=True),
        sa.Column("level", sa.Integer(), nullable=True),
        sa.Column("slot", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["room_id"],
            ["room.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("enclosure", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_enclosure_key"), ["key"], unique=True)
        batch_op.create_index(batch_op.f("ix_enclosure_room_id"), ["room_id"], unique=False)

    op.create_table(
        "profile_version",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("from_at", sa.BigInteger(), nullable=False),
        sa.Column("until_at", sa.BigInteger(), nullable=True),
        sa.Column("entered_by", sa.String(), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("profile_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["profile_id"],
            ["profile.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("profile_version", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_profile_version_profile_id"), ["profile_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_profile_version_replaces_id"), ["replaces_id"], unique=True)

    op.create_table(
        "alarm",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("condition", sa.String(), nullable=False),
        sa.Column("place", sa.String(), nullable=False),
        sa.Column("enclosure_id", sa.Integer(), nullable=True),
        sa.Column("zone", sa.String(), nullable=True),
        sa.Column("channel_id", sa.Integer(), nullable=True),
        sa.Column("priority", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("raised_at", sa.BigInteger(), nullable=False),
        sa.Column("began_at", sa.BigInteger(), nullable=False),
        sa.Column("returned_at", sa.BigInteger(), nullable=True),
        sa.Column("acknowledged_at", sa.BigInteger(), nullable=True),
        sa.Column("acknowledged_by", sa.String(), nullable=True),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("peak", sa.Float(), nullable=True),
        sa.Column("limit", sa.Float(), nullable=True),
        sa.Column("unit", sa.String(), nullable=True),
        sa.Column("cause", sa.String(), nullable=True),
        sa.Column("note", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["channel_id"],
            ["channel.id"],
        ),
        sa.ForeignKeyConstraint(
            ["enclosure_id"],
            ["enclosure.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("condition", "place", "raised_at"),
    )
    with op.batch_alter_table("alarm", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_alarm_enclosure_id"), ["enclosure_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_alarm_raised_at"), ["raised_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_alarm_state"), ["state"], unique=False)

    op.create_table(
        "calibration",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("from_at", sa.BigInteger(), nullable=False),
        sa.Column("until_at", sa.BigInteger(), nullable=True),
        sa.Column("entered_by", sa.String(), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("channel_id", sa.Integer(), nullable=False),
        sa.Column("reference", sa.Float(), nullable=False),
        sa.Column("reads", sa.Float(), nullable=False),
        sa.Column("uncertainty", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["channel_id"],
            ["channel.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("calibration", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_calibration_channel_id"), ["channel_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_calibration_replaces_id"), ["replaces_id"], unique=True)

    op.create_table(
        "channel_state",
        sa.Column("channel_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("value", sa.Float(precision=53), nullable=False),
        sa.Column("flags", sa.SmallInteger(), nullable=False),
        sa.Column("write", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["channel_id"],
            ["channel.id"],
        ),
        sa.PrimaryKeyConstraint("channel_id"),
    )
    with op.batch_alter_table("channel_state", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_channel_state_write"), ["write"], unique=False)

    op.create_table(
        "equipment",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("from_at", sa.BigInteger(), nullable=False),
        sa.Column("until_at", sa.BigInteger(), nullable=True),
        sa.Column("entered_by", sa.String(), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("enclosure_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("replace_after_months", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(
            ["enclosure_id"],
            ["enclosure.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("equipment", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_equipment_enclosure_id"), ["enclosure_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_equipment_replaces_id"), ["replaces_id"], unique=True)

    op.create_table(
        "housing",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("from_at", sa.BigInteger(), nullable=False),
        sa.Column("until_at", sa.BigInteger(), nullable=True),
        sa.Column("entered_by", sa.String(), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("enclosure_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["animal_id"],
            ["animal.id"],
        ),
        sa.ForeignKeyConstraint(
            ["enclosure_id"],
            ["enclosure.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("housing", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_housing_animal_id"), ["animal_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_housing_enclosure_id"), ["enclosure_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_housing_replaces_id"), ["replaces_id"], unique=True)

    op.create_table(
        "light_schedule",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("from_at", sa.BigInteger(), nullable=False),
        sa.Column("until_at", sa.BigInteger(), nullable=True),
        sa.Column("entered_by", sa.String(), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("enclosure_id", sa.Integer(), nullable=False),
        sa.Column("on", sa.Time(), nullable=False),
        sa.Column("off", sa.Time(), nullable=False),
        sa.ForeignKeyConstraint(
            ["enclosure_id"],
            ["enclosure.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("light_schedule", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_light_schedule_enclosure_id"), ["enclosure_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_light_schedule_replaces_id"), ["replaces_id"], unique=True)

    op.create_table(
        "misting_schedule",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("from_at", sa.BigInteger(), nullable=False),
        sa.Column("until_at", sa.BigInteger(), nullable=True),
        sa.Column("entered_by", sa.String(), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("enclosure_id", sa.Integer(), nullable=False),
        sa.Column("cycles", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["enclosure_id"],
            ["enclosure.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("misting_schedule", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_misting_schedule_enclosure_id"), ["enclosure_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_misting_schedule_replaces_id"), ["replaces_id"], unique=True)

    op.create_table(
        "placement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("from_at", sa.BigInteger(), nullable=False),
        sa.Column("until_at", sa.BigInteger(), nullable=True),
        sa.Column("entered_by", sa.String(), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("channel_id", sa.Integer(), nullable=False),
        sa.Column("enclosure_id", sa.Integer(), nullable=False),
        sa.Column("zone", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["channel_id"],
            ["channel.id"],
        ),
        sa.ForeignKeyConstraint(
            ["enclosure_id"],
            ["enclosure.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("placement", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_placement_channel_id"), ["channel_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_placement_enclosure_id"), ["enclosure_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_placement_replaces_id"), ["replaces_id"], unique=True)

    op.create_table(
        "profile_assignment",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("from_at", sa.BigInteger(), nullable=False),
        sa.Column("until_at", sa.BigInteger(), nullable=True),
        sa.Column("entered_by", sa.String(), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("enclosure_id", sa.Integer(), nullable=False),
        sa.Column("profile_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["enclosure_id"],
            ["enclosure.id"],
        ),
        sa.ForeignKeyConstraint(
            ["profile_id"],
            ["profile.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("profile_assignment", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_profile_assignment_enclosure_id"), ["enclosure_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_profile_assignment_replaces_id"), ["replaces_id"], unique=True)

    op.create_table(
        "target_override",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("from_at", sa.BigInteger(), nullable=False),
        sa.Column("until_at", sa.BigInteger(), nullable=True),
        sa.Column("entered_by", sa.String(), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("enclosure_id", sa.Integer(), nullable=False),
        sa.Column("check", sa.String(), nullable=False),
        sa.Column("low", sa.Float(), nullable=True),
        sa.Column("high", sa.Float(), nullable=True),
        sa.Column("share", sa.Float(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["enclosure_id"],
            ["enclosure.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("target_override", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_target_override_enclosure_id"), ["enclosure_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_target_override_replaces_id"), ["replaces_id"], unique=True)

    op.create_table(
        "watch_state",
        sa.Column("channel_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("memory", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["channel_id"],
            ["channel.id"],
        ),
        sa.PrimaryKeyConstraint("channel_id"),
    )
    op.create_table(
        "alarm_transition",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("alarm_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("recorded_at", sa.BigInteger(), nullable=False),
        sa.Column("before", sa.String(), nullable=False),
        sa.Column("after", sa.String(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["alarm_id"],
            ["alarm.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("alarm_transition", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_alarm_transition_alarm_id"), ["alarm_id"], unique=False)

    counters = sa.table("counter", sa.column("name", sa.String), sa.column("value", sa.BigInteger))
    op.bulk_insert(counters, [{"name": name, "value": 0} for name in ("write", "facts")])


def downgrade() -> None:
    with op.batch_alter_table("alarm_transition", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_alarm_transition_alarm_id"))

    op.drop_table("alarm_transition")
    op.drop_table("watch_state")
    with op.batch_alter_table("target_override", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_target_override_replaces_id"))
        batch_op.drop_index(batch_op.f("ix_target_override_enclosure_id"))

    op.drop_table("target_override")
    with op.batch_alter_table("profile_assignment", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_profile_assignment_replaces_id"))
        batch_op.drop_index(batch_op.f("ix_profile_assignment_enclosure_id"))

    op.drop_table("profile_assignment")
    with op.batch_alter_table("placement", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_placement_replaces_id"))
        batch_op.drop_index(batch_op.f("ix_placement_enclosure_id"))
        batch_op.drop_index(batch_op.f("ix_placement_channel_id"))

    op.drop_table("placement")
    with op.batch_alter_table("misting_schedule", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_misting_schedule_replaces_id"))
        batch_op.drop_index(batch_op.f("ix_misting_schedule_enclosure_id"))

    op.drop_table("misting_schedule")
    with op.batch_alter_table("light_schedule", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_light_schedule_replaces_id"))
        batch_op.drop_index(batch_op.f("ix_light_schedule_enclosure_id"))

    op.drop_table("light_schedule")
    with op.batch_alter_table("housing", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_housing_replaces_id"))
        batch_op.drop_index(batch_op.f("ix_housing_enclosure_id"))
        batch_op.drop_index(batch_op.f("ix_housing_animal_id"))

    op.drop_table("housing")
    with op.batch_alter_table("equipment", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_equipment_replaces_id"))
        batch_op.drop_index(batch_op.f("ix_equipment_enclosure_id"))

    op.drop_table("equipment")
    with op.batch_alter_table("channel_state", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_channel_state_write"))

    op.drop_table("channel_state")
    with op.batch_alter_table("calibration", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_calibration_replaces_id"))
        batch_op.drop_index(batch_op.f("ix_calibration_channel_id"))

    op.drop_table("calibration")
    with op.batch_alter_table("alarm", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_alarm_state"))
        batch_op.drop_index(batch_op.f("ix_alarm_raised_at"))
        batch_op.drop_index(batch_op.f("ix_alarm_enclosure_id"))

    op.drop_table("alarm")
    with op.batch_alter_table("profile_version", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_profile_version_replaces_id"))
        batch_op.drop_index(batch_op.f("ix_profile_version_profile_id"))

    op.drop_table("profile_version")
    with op.batch_alter_table("enclosure", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_enclosure_room_id"))
        batch_op.drop_index(batch_op.f("ix_enclosure_key"))

    op.drop_table("enclosure")
    with op.batch_alter_table("channel", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_channel_probe_id"))
        batch_op.drop_index(batch_op.f("ix_channel_key"))

    op.drop_table("channel")
    op.drop_table("site")
    with op.batch_alter_table("room", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_room_key"))

    op.drop_table("room")
    op.drop_table("refused_topic")
    op.drop_table("refused_message")
    with op.batch_alter_table("receipt", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_receipt_session"))

    op.drop_table("receipt")
    op.drop_table("reading")
    with op.batch_alter_table("profile", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_profile_key"))

    op.drop_table("profile")
    with op.batch_alter_table("probe", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_probe_topic"))
        batch_op.drop_index(batch_op.f("ix_probe_key"))

    op.drop_table("probe")
    op.drop_table("escalation")
    op.drop_table("counter")
    op.drop_table("contact")
    with op.batch_alter_table("change", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_change_at"))

    op.drop_table("change")
    with op.batch_alter_table("animal", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_animal_name"))

    op.drop_table("animal")
