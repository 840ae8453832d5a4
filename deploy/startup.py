"""What a first start does before anything is served; every step may be repeated."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from importlib import metadata

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured
from django.core.management import call_command

from deploy.new_tables import make_tables
from deploy.secret import secret_key_ensure

Say = Callable[[str], object]


def prepare(say: Say) -> None:
    """Home folder, signing key, tables and static files. Raises OSError when the home cannot be written."""
    settings.STILLKEEP_HOME.mkdir(mode=0o700, parents=True, exist_ok=True)
    ensure_key(say)
    make_tables()
    call_command("migrate", interactive=False, verbosity=0)
    collect_static(say)


def ensure_key(say: Say) -> None:
    """Give the running settings a signing key, making the home's own when the environment has none."""
    try:
        if settings.SECRET_KEY:
            return
    except ImproperlyConfigured:
        pass
    settings.SECRET_KEY = secret_key_ensure(settings.STILLKEEP_HOME)
    say(f"Made the signing key in {settings.STILLKEEP_HOME}; only its owner can read it.")


def collect_static(say: Say) -> None:
    """Collect the static files when the code or a package that brings some has changed."""
    stamp = settings.STATIC_ROOT / "collected"
    digest = static_digest()
    if stamp.exists() and stamp.read_text(encoding="ascii") == digest:
        return
    say("Collecting static files.")
    call_command("collectstatic", interactive=False, verbosity=0, clear=settings.STATIC_ROOT.exists())
    settings.STATIC_ROOT.mkdir(parents=True, exist_ok=True)
    stamp.write_text(digest, encoding="ascii")


def static_digest() -> str:
    """One value that changes when our own static files or the bundled pages of the API change."""
    digest = hashlib.sha256(metadata.version("drf-spectacular-sidecar").encode())
    digest.update(settings.STORAGES["staticfiles"]["BACKEND"].encode())
    for path in sorted(settings.BASE_DIR.glob("*/static/**/*")):
        if path.is_file():
            state = path.stat()
            digest.update(f"{path}:{state.st_size}:{state.st_mtime_ns}".encode())
    return digest.hexdigest()
