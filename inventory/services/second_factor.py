"""The second factor of a person: a code of an app beside the password, and codes on paper in its place."""

from __future__ import annotations

import logging
from datetime import datetime

from django.db import transaction

from inventory.models import RecoveryCode, SecondFactor, User
from inventory.rules import one_time_codes
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.services.delivery.notices import account_tell
from inventory.services.sealing import seal, unseal

log = logging.getLogger(__name__)


def sealed_for(pk: int, secret: str) -> str:
    """How the secret of the person with this id lies in the database; it opens for nobody else."""
    return seal(secret, purpose=f"one-time codes of {pk}")


def _secret_of(factor: SecondFactor) -> str | None:
    return unseal(factor.secret, purpose=f"one-time codes of {factor.user_id}")


def is_readable(*, user: User) -> bool:
    """Whether codes of the app can be checked: not once the site's key was changed without keeping the old.

    True for somebody without a second factor.
    """
    factor = SecondFactor.objects.filter(user=user).first()
    return factor is None or _secret_of(factor) is not None


def wanted(*, user: User) -> bool:
    """Whether a password alone does not sign this person in."""
    return SecondFactor.objects.filter(user=user).exists()


def turn_on(*, actor: User, now: datetime, secret: str, code: str) -> list[str]:
    """Ask for a code from now on. Returns the recovery codes, which are not kept.

    code: of the app, so that it is sure to hold the secret. Raises InputError naming code, Conflict when it
    is on already.
    """
    step = one_time_codes.step_of(secret, code, now=now)
    if step is None:
        raise InputError(
            "code",
            "wrong-code",
            Phrase("This is not the code that the app should show now."),
            Phrase("Wait for the next one and see that the clock of the phone is right."),
        )
    with transaction.atomic():
        _, made = SecondFactor.objects.get_or_create(
            user=actor,
            defaults={"secret": sealed_for(actor.pk, secret), "last_step": step, "started_at": now},
        )
        if not made:
            raise Conflict("code", "on-already", Phrase("A second step is on already."))
        log.info("The second step of person %s was turned on.", actor.pk)
        return _codes_renew(actor)


def turn_off(*, actor: User, now: datetime) -> None:
    """A password is enough again; recovery codes end too, and the person is told. Nothing when it is off."""
    with transaction.atomic():
        ended, _ = SecondFactor.objects.filter(user=actor).delete()
        RecoveryCode.objects.filter(user=actor).delete()
        if ended:
            account_tell(person=actor, what="second-step-off", now=now)
    log.info("The second step of person %s was turned off.", actor.pk)


def recovery_codes_renew(*, actor: User, now: datetime) -> list[str]:
    """New recovery codes in place of all earlier ones, of which the person is told.

    Raises Conflict while there is no second factor.
    """
    with transaction.atomic():
        if not SecondFactor.objects.select_for_update().filter(user=actor).exists():
            raise Conflict("codes", "off", Phrase("There is no second step."), Phrase("Turn it on first."))
        account_tell(person=actor, what="codes-renewed", now=now)
        return _codes_renew(actor)


def _codes_renew(actor: User) -> list[str]:
    codes = one_time_codes.recovery_codes_make()
    RecoveryCode.objects.filter(user=actor).delete()
    RecoveryCode.objects.bulk_create(
        [RecoveryCode(user=actor, code_sha256=one_time_codes.recovery_digest(code)) for code in codes]
    )
    return codes


def recovery_codes_left(*, user: User) -> int:
    return RecoveryCode.objects.filter(user=user, used_at=None).count()


def accept(*, user: User, now: datetime, code: str) -> bool:
    """Take a code of the app or of the paper. Each counts once, also when two come at the same time."""
    factor = SecondFactor.objects.filter(user=user).first()
    if factor is None:
        return False
    secret = _secret_of(factor)
    step = one_time_codes.step_of(secret, code, now=now, after=factor.last_step) if secret else None
    if secret and step is not None:
        # Sealed anew each time, so that a former key of the site can be done without after a while.
        sealed = sealed_for(user.pk, secret)
        taken = SecondFactor.objects.filter(user=user, last_step__lt=step, secret=factor.secret)
        return bool(taken.update(last_step=step, secret=sealed))
    unused = RecoveryCode.objects.filter(
        user=user, code_sha256=one_time_codes.recovery_digest(code), used_at=None
    )
    return bool(unused.update(used_at=now))
