"""Django with nothing around the view: no middleware, no session read, only the same database."""

from __future__ import annotations

from deploy.settings import AUTH_USER_MODEL, DATABASES, DEFAULT_AUTO_FIELD, SECRET_KEY, USE_TZ

__all__ = ["AUTH_USER_MODEL", "DATABASES", "DEFAULT_AUTO_FIELD", "SECRET_KEY", "USE_TZ"]

INSTALLED_APPS = [
    "django.contrib.auth", "django.contrib.contenttypes",
    "django.contrib.sessions",  # nothing reads one, but a table of ours refers to theirs
    "rest_framework", "rest_framework_api_key",
    "inventory", "recovery", "deploy",
]  # fmt: skip
MIDDLEWARE: list[str] = []
ROOT_URLCONF = "tests.bench.bare"
ALLOWED_HOSTS = ["127.0.0.1"]
STILLKEEP_TRUSTED_PROXY = ""
