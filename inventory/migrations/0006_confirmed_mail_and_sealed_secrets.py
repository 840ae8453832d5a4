"""Mail addresses are confirmed by a link, and the secrets of one-time codes are sealed."""

from typing import Any

from django.db import migrations, models

BATCH = 500
SEALED = "gAAAA"  # what a Fernet token starts with; base32 has no small letters


def count_as_confirmed(apps: Any, schema_editor: Any) -> None:
    """Whoever is told of alerts today goes on being told: the addresses that are there count as confirmed."""
    people = apps.get_model("inventory", "User").objects.using(schema_editor.connection.alias)
    people.exclude(email="").filter(mail_confirmed="").update(mail_confirmed=models.F("email"))


def seal_secrets(apps: Any, schema_editor: Any) -> None:
    """Seal what lies in plain, some at a time; those that are sealed stay as they are."""
    from inventory.services.second_factor import sealed_for

    factors = apps.get_model("inventory", "SecondFactor").objects.using(schema_editor.connection.alias)
    plain = factors.exclude(secret__startswith=SEALED).order_by("pk")
    while some := list(plain[:BATCH]):
        for factor in some:
            factor.secret = sealed_for(factor.pk, factor.secret)
        factors.bulk_update(some, ["secret"])


class Migration(migrations.Migration):
    dependencies = [("inventory", "0005_rooms_and_people")]

    operations = [
        migrations.RemoveConstraint(model_name="delivery", name="delivery_channel_known"),
        migrations.AddField(
            model_name="user",
            name="mail_asked_at",
            field=models.DateTimeField(
                blank=True, help_text="Of the newest link to confirm `email`; empty: none is out.", null=True
            ),
        ),
        migrations.AlterField(
            model_name="delivery",
            name="channel",
            field=models.CharField(
                choices=[
                    ("email", "email"), ("digest", "digest"), ("webhook", "webhook"), ("confirm", "confirm"),
                ],
                max_length=10,
            ),
        ),
        migrations.AlterField(
            model_name="secondfactor",
            name="secret",
            field=models.CharField(help_text="Sealed: `services/second_factor` reads it.", max_length=255),
        ),
        migrations.AddIndex(
            model_name="delivery",
            index=models.Index(
                condition=models.Q(("channel", "confirm")),
                fields=["user", "created_at"],
                name="delivery_confirming",
            ),
        ),
        migrations.AddConstraint(
            model_name="delivery",
            constraint=models.CheckConstraint(
                condition=models.Q(("channel__in", ["email", "digest", "webhook", "confirm"])),
                name="delivery_channel_known",
            ),
        ),
        migrations.RunPython(count_as_confirmed, migrations.RunPython.noop),
        migrations.RunPython(seal_secrets, migrations.RunPython.noop),
    ]  # fmt: skip
