"""The signing key that a home folder keeps for itself."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

KEY_FILE = "secret_key"


def secret_key_read(home: Path) -> str:
    """The key kept in `home`, or "" when none has been made yet. Raises OSError when it may not be read."""
    try:
        return (home / KEY_FILE).read_text(encoding="ascii").strip()
    except (FileNotFoundError, NotADirectoryError):
        return ""


def secret_key_ensure(home: Path) -> str:
    """The key kept in `home`, made on the first call; only the owner may read the file.

    Two first starts at once agree: the key is written whole beside its place and linked in; the loser
    reads the winner's. Raises OSError when the folder cannot be written.
    """
    home.mkdir(mode=0o700, parents=True, exist_ok=True)
    if key := secret_key_read(home):
        return key
    draft = home / f"{KEY_FILE}.{os.getpid()}.{secrets.token_hex(4)}"
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="ascii") as file:
        file.write(secrets.token_urlsafe(64))
    try:
        os.link(draft, home / KEY_FILE)
    except FileExistsError:
        pass
    finally:
        draft.unlink()
    return secret_key_read(home)
