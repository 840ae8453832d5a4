"""The one family of errors that a person can mend: each names the field, the fault and the remedy."""

from __future__ import annotations


class InputError(ValueError):
    """Something given to us cannot be used as it stands.

    field: dotted name of the field as the caller wrote it, or "" for the whole request.
    code: stable kebab-case word for programs.
    detail: plain words for people: what is wrong.
    remedy: plain words for people: what to do instead.
    """

    def __init__(self, field: str, code: str, detail: str, remedy: str = "") -> None:
        super().__init__(f"{field}: {detail} {remedy}".strip() if field else f"{detail} {remedy}".strip())
        self.field = field
        self.code = code
        self.detail = detail
        self.remedy = remedy


class Conflict(InputError):
    """The request is well formed, but what stands in the records forbids it (HTTP 409)."""


class Denied(InputError):
    """The person is known here, but their role does not allow this (HTTP 403)."""
