"""What people say of themselves: name, password, and how pages show things to them."""

from __future__ import annotations

import logging

from django.conf import settings
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction

from inventory.models import User
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.shown_units import UNITS

log = logging.getLogger(__name__)


def person_change(*, actor: User, name: str, language: str, volume_unit: str) -> None:
    """Set name, language (empty: the browser's) and unit of volumes (empty: mL).

    Raises InputError naming name, language or volume_unit.
    """
    if len(name.strip()) > (User._meta.get_field("first_name").max_length or 0):
        raise InputError(
            "name", "too-long", Phrase("This name is too long."), Phrase("Use at most 150 letters.")
        )
    if language and language not in dict(settings.LANGUAGES):
        known = ", ".join(code for code, _ in settings.LANGUAGES)
        raise InputError(
            "language",
            "unknown",
            Phrase("“{language}” is not a language here.", language=language),
            Phrase("Use {known}.", known=known),
        )
    if volume_unit and volume_unit not in UNITS:
        raise InputError(
            "volume_unit",
            "unknown",
            Phrase("“{volume_unit}” is not shown here.", volume_unit=volume_unit),
            Phrase("Use {known}.", known=", ".join(UNITS)),
        )
    actor.first_name, actor.last_name = name.strip(), ""
    actor.language, actor.volume_unit = language, volume_unit
    actor.save(update_fields=["first_name", "last_name", "language", "volume_unit"])


def password_change(*, actor: User, password: str) -> None:
    """Set a new password, which ends every other session. The person is told, see `password_told`.

    Raises InputError naming password.
    """
    try:
        validate_password(password, actor)
    except ValidationError as error:
        raise InputError(
            "password", "not-acceptable", " ".join(error.messages), Phrase("Choose another.")
        ) from error
    actor.set_password(password)
    with transaction.atomic():
        actor.save(update_fields=["password"])  # writes the notice as well
    log.info("The password of person %s was changed.", actor.pk)
