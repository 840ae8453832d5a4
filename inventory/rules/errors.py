"""The one family of errors that a person can mend: each names the field, the fault and the remedy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


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


@dataclass(frozen=True)
class Cause:
    """One of several reasons for a refusal, as the members of `InputError`, and where the rule comes from."""

    code: str
    detail: str
    remedy: str
    source: str


class Refusal(Conflict):
    """A conflict with several reasons, each of which is told."""

    def __init__(self, field: str, code: str, detail: str, remedy: str, causes: Sequence[Cause]) -> None:
        super().__init__(field, code, detail, remedy)
        self.causes = tuple(causes)


class Denied(InputError):
    """The person is known here, but their role does not allow this (HTTP 403)."""
