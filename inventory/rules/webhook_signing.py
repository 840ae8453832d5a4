"""Signatures of the Standard Webhooks scheme: HMAC-SHA256 over id, time and body.

Source: Standard Webhooks specification 1.0, sections "Signature scheme" and "Webhook headers"; the tests
check it against the scheme's own library.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
from collections.abc import Iterable

PREFIX = "whsec_"
SECRET_BYTES = 32  # the scheme asks for 24 to 64


def new_secret() -> str:
    """A fresh secret as the scheme writes it: whsec_ and base64."""
    return PREFIX + base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode()


def signature(secret: str, message_id: str, at_s: int, body: bytes) -> str:
    """One signature, as in v1,K5oZfzN95Z9UVu1EsfQmfVNQhnkZ2pj9o9NDN/H/pI4=. at_s: seconds since 1970."""
    key = base64.b64decode(secret.removeprefix(PREFIX))
    signed = f"{message_id}.{at_s}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()


def headers(known: Iterable[str], message_id: str, at_s: int, body: bytes) -> dict[str, str]:
    """The three headers. known: the secrets to sign with, two while one takes the other's place."""
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(at_s),
        "webhook-signature": " ".join(signature(secret, message_id, at_s, body) for secret in known),
    }
