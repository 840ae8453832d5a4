"""Retest policies as data: shipped ones, the lab's own, and what a change would do."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.db.models import QuerySet
from django.http import Http404, HttpResponse
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from inventory.api.base import Contract, LabView
from inventory.api.fields import Body, NoteField, RefField, TextField
from inventory.api.idempotency import Done, changed
from inventory.api.paging import Key, orderings, page
from inventory.api.params import paging
from inventory.api.replies import check_if_match
from inventory.api.shapes_verdicts import EffectShape, PolicyDetailShape, PolicyShape
from inventory.models import Policy
from inventory.rules.errors import InputError
from inventory.rules.policy_data import Policy as Rules
from inventory.selectors.loosening import policy_in_use, policy_loosenings
from inventory.services import policies
from inventory.services.importing import lock_lab

BY_ID = orderings(id=Key("id", "int"))
COLUMNS = ("id", "key", "name", "source", "body", "lab_id", "copied_from", "version")


@extend_schema_field({"type": "object", "additionalProperties": True})
class PolicyBodyField(serializers.Field[Any, Any, Any, Any]):
    """A policy: key, name, source, levels, rules, handling, expiry_ends_in, distilling."""

    default_error_messages = {"invalid": "Send an object with key, name, source, levels and rules."}

    def to_internal_value(self, data: Any) -> Rules:
        if not isinstance(data, Mapping):
            self.fail("invalid")
        return policies.body_read(data)


class PolicyMake(Body):
    """Either a whole policy as `body`, or a copy of one (`copy_of`) under a key of the lab's own."""

    body = PolicyBodyField(required=False)
    copy_of = RefField(required=False, help_text="Key of a shipped or own policy.")
    key = RefField(max_length=60, required=False, help_text="Of the copy: lower-case letters, digits, -.")
    name = TextField(max_length=120, required=False, help_text="Of the copy.")


class PolicyChange(Body):
    body = PolicyBodyField()
    reason = NoteField(max_length=500, help_text="Needed where it gets looser.")


class PolicyTry(Body):
    """What would be if the lab used it, as it is or as `body` has it."""

    body = PolicyBodyField(required=False)


class PolicyView(LabView):
    def own(self) -> QuerySet[Policy]:
        return policies.policies_of(self.caller.lab)

    def policy_at(self, key: str) -> Policy:
        found = self.own().filter(key=key).order_by("lab_id").last() if "\x00" not in key else None
        if found is None:
            raise Http404
        return found

    def row(self, row: Any) -> dict[str, Any]:
        found = dict(zip(COLUMNS, row, strict=True))
        shipped = found.pop("lab_id") is None
        in_use = found["id"] == self.caller.lab.policy_id
        return {**found, "id": str(found["id"]), "shipped": shipped, "in_use": in_use}

    def shown(self, pk: int) -> dict[str, Any]:
        row = self.row(Policy.objects.filter(pk=pk).values_list(*COLUMNS).get())
        used = policy_in_use(self.caller.lab) if row["in_use"] else None
        chosen = None
        if used is not None and used.at is not None:
            chosen = {"by": used.by, "at": used.at, "reason": used.reason}
        return {**row, "chosen": chosen, "loosened": policy_loosenings(self.caller.lab, row["key"])}


class Policies(PolicyView):
    """Retest policies: shipped ones and the lab's own."""

    contracts = {
        "GET": Contract("lab.read", PolicyShape, "Retest policies", params=paging(BY_ID), paged=True),
        "POST": Contract(
            "policy.edit",
            PolicyDetailShape,
            "Keep a policy of the lab's own",
            body=PolicyMake,
            status=201,
            words="Nothing is judged by it until a supervisor chooses it for the lab (`policy` of the lab).",
        ),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        keys = BY_ID[given.get("ordering", "id")]
        return self.listing(
            page(request._request, self.own(), keys=keys, columns=COLUMNS, given=given, shape=self.row)
        )

    def post(self, request: Any, lab: str) -> HttpResponse:
        return self.write(self._add)

    def _add(self, data: Any) -> Done:
        body, copied = self._wanted(data)
        made = policies.policy_add(**self.by, body=body, copied_from=copied)
        return Done(self.shown(made.pk), headers={"Location": f"{self.request.path}{made.key}/"})

    def _wanted(self, data: Any) -> tuple[Rules, str]:
        """The body asked for, and the key of what it was copied from."""
        if ("body" in data) == ("copy_of" in data):
            raise InputError(
                "body", "one-of-two", "Send either a body or copy_of.", "With copy_of, give a key too."
            )
        if "body" in data:
            stray = next((name for name in ("key", "name") if name in data), None)
            if stray:
                raise InputError(stray, "stands-in-body", "The body has its own.", "Leave it out.")
            return data["body"], ""
        if "key" not in data:
            raise InputError("key", "missing", "A copy needs a key of its own.", "Send one.")
        found = self.own().filter(key=data["copy_of"]).order_by("lab_id").last()
        if found is None:
            raise InputError("copy_of", "unknown-policy", "There is no such policy.", "See policies/.")
        return policies.copy_of(found, data["key"], data.get("name", "")), found.key


class PolicyDetail(PolicyView):
    """One policy, with who loosened it and how."""

    contracts = {
        "GET": Contract("lab.read", PolicyDetailShape, "One policy", tagged=True),
        "PATCH": Contract(
            "policy.edit",
            PolicyDetailShape,
            "Change a policy of the lab's own",
            body=PolicyChange,
            tagged=True,
            words="Tightening is free; what is looser in any way needs `safety.loosen` too, and a reason. "
            "If it is in use, every date is worked out again.",
        ),
    }

    def get(self, request: Any, lab: str, policy: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(self.shown(self.policy_at(policy).pk))

    def patch(self, request: Any, lab: str, policy: str) -> HttpResponse:
        found = self.policy_at(policy)

        def work(data: Any) -> Done:
            held = lock_lab(self.caller.lab)
            check_if_match(self.request._request, self.shown(found.pk))
            policies.policy_edit(
                **{**self.by, "lab": held},
                policy=found,
                body=data["body"],
                reason=data.get("reason", ""),
                may_loosen=self.caller.may("safety.loosen"),
            )
            return changed(self.shown(found.pk))

        return self.write(work)


class PolicyChecks(PolicyView):
    """A dry run: nothing is written."""

    contracts = {
        "POST": Contract(
            "policy.edit",
            EffectShape,
            "See what using a policy would change",
            body=PolicyTry,
            status=201,
            words="Which dates would move, and in what it is looser than the policy in use.",
        )
    }

    def post(self, request: Any, lab: str, policy: str) -> HttpResponse:
        found = self.policy_at(policy)

        def work(data: Any) -> Done:
            body = data.get("body") or policies.body_read(found.body)
            return Done(effect_out(policies.effect_of(lab=self.caller.lab, body=body)))

        return self.write(work)


def effect_out(effect: policies.Effect) -> dict[str, Any]:
    return {
        "containers": effect.containers,
        "earlier": effect.earlier,
        "later": effect.later,
        "looser": list(effect.looser),
        "examples": [
            {
                "container": {"id": str(m.container_id), "code": m.code},
                "before": m.before,
                "after": m.after,
            }
            for m in effect.examples
        ],
    }
