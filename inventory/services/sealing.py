"""Secrets that are needed in plain now and then lie sealed in the database: a copy of it alone opens none.

Fernet (AES-128-CBC with HMAC-SHA-256) of `cryptography`, under a key that HKDF-SHA-256 (RFC 5869) derives
from the site's secret key, one for each purpose. What was sealed under a key in `SECRET_KEY_FALLBACKS` still
opens, so that the key can be changed without anybody losing anything.
"""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING

from django.conf import settings

if TYPE_CHECKING:
    from cryptography.fernet import Fernet

KEY_BYTES = 32


def seal(text: str, *, purpose: str) -> str:
    """Text that only this site can read, and only for the same purpose."""
    return _lock(settings.SECRET_KEY, purpose).encrypt(text.encode()).decode()


def unseal(sealed: str, *, purpose: str) -> str | None:
    """What was sealed; None when no key of the site opens it."""
    tried = (_tried(sealed, key, purpose) for key in (settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS))
    return next((text for text in tried if text is not None), None)


def is_of_today(sealed: str, *, purpose: str) -> bool:
    """Whether the site's present key opens it, and not only a former one."""
    return _tried(sealed, settings.SECRET_KEY, purpose) is not None


def _tried(sealed: str, key: str, purpose: str) -> str | None:
    from cryptography.fernet import InvalidToken

    try:
        return _lock(key, purpose).decrypt(sealed.encode()).decode()
    except InvalidToken:
        return None


def _lock(key: str, purpose: str) -> Fernet:
    from cryptography.fernet import Fernet
    from cryptography.hazmat.primitives.hashes import SHA256
    from cryptography.hazmat.primitives.kdf.hkdf import HKDF

    derive = HKDF(algorithm=SHA256(), length=KEY_BYTES, salt=None, info=f"stillkeep {purpose}".encode())
    return Fernet(base64.urlsafe_b64encode(derive.derive(str(key).encode())))
