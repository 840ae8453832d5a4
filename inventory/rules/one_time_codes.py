"""One-time codes of a phone's app (TOTP, RFC 6238) and codes on paper that sign in once."""

from __future__ import annotations

import hashlib
import secrets
import unicodedata
from datetime import datetime
from hmac import compare_digest

STEP_SECONDS = 30  # RFC 6238, 5.2: the default step
DRIFT_STEPS = 1  # RFC 6238, 5.2 and 6: one step for the way there and a clock that is off
RECOVERY_CODES = 10
# Neither 0 and O nor 1, I and L: people copy these from paper.
LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
GROUPS, GROUP_LETTERS = 4, 4


def secret_make() -> str:
    """A new secret in base32, 160 bits as RFC 4226 recommends (4, R6)."""
    from pyotp import random_base32

    return random_base32()


def app_address(secret: str, *, person: str, site: str) -> str:
    """What the QR code says to an app: an otpauth address."""
    from pyotp import TOTP

    return TOTP(secret).provisioning_uri(name=person, issuer_name=site)


def step_of(secret: str, code: str, *, now: datetime, after: int = -1) -> int | None:
    """The time step that a code of six digits belongs to; None when it is wrong, too old or used.

    after: newest step that was taken already; that one and all before it count no more (RFC 6238, 5.2).
    """
    from pyotp import TOTP

    app, current, typed = TOTP(secret), int(now.timestamp()) // STEP_SECONDS, _plain(code).encode()
    for step in range(max(0, current - DRIFT_STEPS), current + DRIFT_STEPS + 1):
        if step > after and compare_digest(app.generate_otp(step).encode(), typed):
            return step
    return None


def recovery_codes_make() -> list[str]:
    """Codes as people read them, in groups with dashes: 79 bits each, so that a plain digest keeps them."""
    return ["-".join(_group() for _ in range(GROUPS)) for _ in range(RECOVERY_CODES)]


def _group() -> str:
    return "".join(secrets.choice(LETTERS) for _ in range(GROUP_LETTERS))


def recovery_digest(code: str) -> str:
    """SHA-256 of a code; capitals, spaces and dashes make no difference."""
    return hashlib.sha256(_plain(code).encode()).hexdigest()


def _plain(code: str) -> str:
    folded = unicodedata.normalize("NFKC", code).casefold()
    return "".join(letter for letter in folded if letter.isalnum())
