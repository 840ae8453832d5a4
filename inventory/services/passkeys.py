"""Passkeys (W3C Web Authentication, level 2): keys of a device that sign in without a password.

A passkey signs in by itself, so the device must have checked its person (by finger, face or PIN): user
verification is required, which makes it two factors. Signatures are checked by the library `fido2`.
"""

from __future__ import annotations

import ipaddress
import json
import logging
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import Q

from inventory.models import Passkey, User
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.services.delivery.notices import account_tell

log = logging.getLogger(__name__)
PASSKEYS_MAX = 20
ANSWER_MAX = 20_000
State = dict[str, Any]


@dataclass(frozen=True)
class Site:
    """Where the browser is: a passkey belongs to the name of a host and answers to one origin."""

    scheme: str
    host: str
    port: str = ""

    @property
    def origin(self) -> str:
        return f"{self.scheme}://{self.host}{f':{self.port}' if self.port else ''}"

    @property
    def takes_passkeys(self) -> bool:
        """Browsers offer them to names alone, never to numbers, over https or on the machine itself."""
        try:
            ipaddress.ip_address(self.host.strip("[]"))
        except ValueError:
            return self.scheme == "https" or self.host == "localhost"
        return False


def ask_to_add(*, actor: User, site: Site) -> tuple[dict[str, Any], State]:
    """What a browser needs to make a key, as JSON, and the state to keep until it answers."""
    from fido2.webauthn import (
        PublicKeyCredentialUserEntity,
        ResidentKeyRequirement,
        UserVerificationRequirement,
    )

    person = PublicKeyCredentialUserEntity(
        name=actor.username, id=_handle(actor), display_name=actor.display_name
    )
    options, state = _server(site).register_begin(
        person,
        [_credential(key) for key in Passkey.objects.filter(user=actor)],
        resident_key_requirement=ResidentKeyRequirement.REQUIRED,
        user_verification=UserVerificationRequirement.REQUIRED,
    )
    return _as_json(options), dict(state)


def add(*, actor: User, now: datetime, site: Site, state: State, answer: str, name: str) -> Passkey:
    """Keep the key that a browser made, and tell the person by mail; sent twice, it is kept once.

    Raises InputError naming name or answer.
    """
    name = name.strip()[: Passkey._meta.get_field("name").max_length]
    if not name:
        raise InputError(
            "name", "missing", Phrase("A passkey needs a name."), Phrase("Name the device that holds it.")
        )
    if Passkey.objects.filter(user=actor).count() >= PASSKEYS_MAX:
        raise InputError(
            "name",
            "too-many",
            Phrase("You have {passkeys_max} passkeys.", passkeys_max=PASSKEYS_MAX),
            Phrase("Remove one first."),
        )
    from fido2.utils import websafe_encode

    try:
        told = _answer(answer)
        known = Passkey.objects.filter(user=actor, credential_id=str(told.get("rawId", ""))).first()
        if known is not None:
            return known
        made = _server(site).register_complete(state, told)
    except _UNREADABLE as error:
        raise _not_taken(error) from error
    assert made.credential_data is not None
    try:
        with transaction.atomic():
            key = Passkey.objects.create(
                user=actor,
                name=name,
                credential_id=websafe_encode(made.credential_data.credential_id),
                credential=bytes(made.credential_data),
                sign_count=made.counter,
                added_at=now,
            )
            account_tell(person=actor, what="passkey-added", now=now)
            return key
    except IntegrityError as error:
        raise InputError(
            "answer", "known-already", Phrase("This passkey is known already."), Phrase("Use another device.")
        ) from error


def ask_to_sign_in(*, site: Site) -> tuple[dict[str, Any], State]:
    """What a browser needs to sign in with a passkey, whoever's it is, and the state to keep meanwhile."""
    from fido2.webauthn import UserVerificationRequirement

    options, state = _server(site).authenticate_begin(user_verification=UserVerificationRequirement.REQUIRED)
    return _as_json(options), dict(state)


def sign_in(*, now: datetime, site: Site, state: State, answer: str) -> User:
    """The person whose key answered. Raises InputError, with the same words whatever was wrong."""
    try:
        told = _answer(answer)
        key = Passkey.objects.select_related("user").get(
            credential_id=str(told.get("rawId", "")), user__is_active=True
        )
        _server(site).authenticate_complete(state, [_credential(key)], told)
        count = _count(told)
    except (*_UNREADABLE, Passkey.DoesNotExist) as error:
        raise _not_taken(error) from error
    # A count that does not grow means a copy of the key (Web Authentication, 6.1.1); zero: it does not count.
    fresh = Passkey.objects.filter(pk=key.pk).filter(Q(sign_count__lt=count) if count else Q(sign_count=0))
    if not fresh.update(sign_count=count, used_at=now):
        log.warning("Passkey %s was refused: its count did not grow, so there may be a copy.", key.pk)
        raise _not_taken(None)
    return key.user


def rename(*, key: Passkey, name: str) -> None:
    """Raises InputError for an empty name."""
    if not name.strip():
        raise InputError(
            "name", "missing", Phrase("A passkey needs a name."), Phrase("Name the device that holds it.")
        )
    key.name = name.strip()[: Passkey._meta.get_field("name").max_length]
    key.save(update_fields=["name"])


def remove(*, key: Passkey) -> None:
    """It signs in no more; the device keeps its half, which is of no use then."""
    key.delete()


def remove_all(*, user: User) -> int:
    """Remove every passkey of a person. Returns how many there were."""
    log.info("All passkeys of person %s were removed.", user.pk)
    return Passkey.objects.filter(user=user).delete()[0]


# What the library and a made-up answer raise; none of it is a fault of this server.
_UNREADABLE = (ValueError, KeyError, TypeError, AttributeError, RuntimeError, AssertionError)


def _server(site: Site) -> Any:
    from fido2.server import Fido2Server
    from fido2.webauthn import PublicKeyCredentialRpEntity

    entity = PublicKeyCredentialRpEntity(name="Stillkeep", id=site.host)
    return Fido2Server(entity, verify_origin=lambda origin: origin == site.origin)


def _credential(key: Passkey) -> Any:
    from fido2.webauthn import AttestedCredentialData

    return AttestedCredentialData(bytes(key.credential))


def _handle(user: User) -> bytes:
    """Names the person to a device without telling it anything about them."""
    return f"stillkeep-{user.pk}".encode()


def _as_json(options: Any) -> dict[str, Any]:
    read: dict[str, Any] = json.loads(json.dumps(dict(options.public_key)))
    return read


def _answer(answer: str) -> Mapping[str, Any]:
    if len(answer) > ANSWER_MAX:
        raise ValueError("longer than any browser's answer")
    told = json.loads(answer)
    if not isinstance(told, dict):
        raise ValueError("not an object")
    return told


def _count(told: Mapping[str, Any]) -> int:
    from fido2.webauthn import AuthenticationResponse

    return int(AuthenticationResponse.from_dict(told).response.authenticator_data.counter)


def _not_taken(error: Exception | None) -> InputError:
    log.info("A passkey was not taken: %s", error or "its count did not grow")
    return InputError(
        "answer",
        "not-taken",
        Phrase("This passkey was not taken."),
        Phrase("Try again, or use your name and password."),
    )
