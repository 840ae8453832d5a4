"""Secrets of webhooks are sealed, a webhook waits when nobody answers for it, and people get notices."""

from typing import Any

from django.db import migrations, models

BATCH = 500
PLAIN = "whsec_"  # what every secret in plain starts with; a Fernet token starts with gAAAA
COLUMNS = ("secret", "secret_before")


def seal_secrets(apps: Any, schema_editor: Any) -> None:
    """Seal what lies in plain, some at a time; what is sealed stays as it is, so it may be done again."""
    from inventory.services.delivery.webhook_secrets import sealed_for

    for hook in _some_at_a_time(apps, schema_editor):
        for column in COLUMNS:
            if getattr(hook, column).startswith(PLAIN):
                setattr(hook, column, sealed_for(hook.pk, getattr(hook, column)))


def open_secrets(apps: Any, schema_editor: Any) -> None:
    """Back to plain. One that no key of the site opens stops the way back: it would be lost there."""
    from inventory.services.delivery.webhook_secrets import opened

    for hook in _some_at_a_time(apps, schema_editor):
        for column in COLUMNS:
            sealed = getattr(hook, column)
            if not sealed or sealed.startswith(PLAIN):
                continue
            secret = opened(hook.pk, sealed)
            if secret is None and column == "secret":
                raise RuntimeError(
                    f"The secret of webhook {hook.pk} opens by no key of the site: put the former key into "
                    "SECRET_KEY_FALLBACKS, or give it a new secret on its page, then go back."
                )
            setattr(hook, column, secret or "")


def _some_at_a_time(apps: Any, schema_editor: Any) -> Any:
    """Every webhook by id, a batch in hand; what is changed of a batch is written at its end."""
    hooks = apps.get_model("inventory", "Webhook").objects.using(schema_editor.connection.alias)
    last = 0
    while some := list(hooks.filter(pk__gt=last).order_by("pk").only("pk", *COLUMNS)[:BATCH]):
        yield from some
        hooks.bulk_update(some, COLUMNS)
        last = some[-1].pk


def forget_notices(apps: Any, schema_editor: Any) -> None:
    """On the way back: messages of a kind that is not known there."""
    messages = apps.get_model("inventory", "Delivery").objects.using(schema_editor.connection.alias)
    messages.filter(channel="notice").delete()


class Migration(migrations.Migration):
    dependencies = [("inventory", "0006_confirmed_mail_and_sealed_secrets")]

    operations = [
        migrations.RemoveConstraint(model_name="delivery", name="delivery_channel_known"),
        migrations.AlterField(
            model_name="delivery",
            name="channel",
            field=models.CharField(
                choices=[
                    ("email", "email"), ("digest", "digest"), ("webhook", "webhook"), ("confirm", "confirm"),
                    ("notice", "notice"),
                ],
                max_length=10,
            ),
        ),
        migrations.AddConstraint(
            model_name="delivery",
            constraint=models.CheckConstraint(
                condition=models.Q(("channel__in", ["email", "digest", "webhook", "confirm", "notice"])),
                name="delivery_channel_known",
            ),
        ),
        migrations.AlterField(
            model_name="webhook",
            name="secret",
            field=models.CharField(
                help_text="Sealed: `services/delivery/webhook_secrets`.", max_length=255
            ),
        ),
        migrations.AlterField(
            model_name="webhook",
            name="secret_before",
            field=models.CharField(
                blank=True, help_text="Sealed; signs too for a while.", max_length=255
            ),
        ),
        migrations.AddField(
            model_name="webhook",
            name="held_at",
            field=models.DateTimeField(
                blank=True,
                help_text="Since when nothing is sent until a supervisor takes it over.",
                null=True,
            ),
        ),
        migrations.AddField(
            model_name="webhook",
            name="held_because",
            field=models.CharField(
                blank=True,
                db_default="",
                help_text="What became of whoever answered for it.",
                max_length=10,
            ),
        ),
        migrations.AddField(
            model_name="webhook",
            name="unreadable_at",
            field=models.DateTimeField(
                blank=True,
                help_text="Since when its secret was found to open by no key of the site.",
                null=True,
            ),
        ),
        migrations.AddConstraint(
            model_name="webhook",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("held_at__isnull", True), ("held_because", "")),
                    models.Q(("held_at__isnull", False), ("held_because__in", ["left", "role", "inactive"])),
                    _connector="OR",
                ),
                name="webhook_held_for_a_reason",
            ),
        ),
        migrations.RunPython(seal_secrets, open_secrets),
        migrations.RunPython(migrations.RunPython.noop, forget_notices),
    ]  # fmt: skip
