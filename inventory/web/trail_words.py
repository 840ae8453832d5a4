"""What events of the audit trail are called on pages. One without words here is shown by its own name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.web.trail_keys import key_words

VERBS: Mapping[str, Any] = {
    "alert-acknowledged": gettext_lazy("Answered an alert"),
    "alert-put-off": gettext_lazy("Put an alert off"),
    "apparatus-added": gettext_lazy("Added an apparatus"),
    "apparatus-changed": gettext_lazy("Changed an apparatus"),
    "apparatus-ended": gettext_lazy("Took an apparatus out of use"),
    "container-added": gettext_lazy("Put a container on record"),
    "corrected": gettext_lazy("Corrected a fact"),
    "delivery-replayed": gettext_lazy("Sent a message again"),
    "discarded": gettext_lazy("Handed a container over for disposal"),
    "discard-undone": gettext_lazy("Took a disposal back"),
    "draft-given-up": gettext_lazy("Gave up a planned run"),
    "entry-reversed": gettext_lazy("Booked an entry back"),
    "feed-added": gettext_lazy("Made a calendar or feed"),
    "feed-revoked": gettext_lazy("Ended a calendar or feed"),
    "invitation-made": gettext_lazy("Made an invitation"),
    "invitation-revoked": gettext_lazy("Ended an invitation"),
    "job-run-again": gettext_lazy("Had a failed job run again"),
    "lab-created": gettext_lazy("Set the lab up"),
    "lab-edited": gettext_lazy("Changed the lab"),
    "ledger-checked": gettext_lazy("Had the ledger checked"),
    "limit-added": gettext_lazy("Added a storage limit"),
    "limit-ended": gettext_lazy("Ended a storage limit"),
    "location-added": gettext_lazy("Added a place"),
    "location-changed": gettext_lazy("Changed a place"),
    "location-ended": gettext_lazy("Closed a place"),
    "loosened": gettext_lazy("Signed for something milder"),
    "loss-fit-adopted": gettext_lazy("Adopted a fit of losses"),
    "loss-fit-ended": gettext_lazy("Ended a fit of losses"),
    "loss-fit-made": gettext_lazy("Made a fit of losses"),
    "mail-chosen": gettext_lazy("Chose their mail"),
    "member-removed": gettext_lazy("Removed a person"),
    "opened": gettext_lazy("Opened a container"),
    "policy-added": gettext_lazy("Added a policy"),
    "policy-edited": gettext_lazy("Changed a policy"),
    "policy-loosened": gettext_lazy("Made a policy milder"),
    "policy-set": gettext_lazy("Set the policy"),
    "put-away": gettext_lazy("Put a container in its place"),
    "quality-checked": gettext_lazy("Checked a quality"),
    "quality-limit-added": gettext_lazy("Added a limit of quality"),
    "quality-limit-changed": gettext_lazy("Changed a limit of quality"),
    "quality-limit-ended": gettext_lazy("Ended a limit of quality"),
    "quarantined": gettext_lazy("Set a container aside"),
    "reagent-added": gettext_lazy("Added a reagent"),
    "reagent-edited": gettext_lazy("Changed a reagent"),
    "reagent-ended": gettext_lazy("Took a reagent out of use"),
    "released": gettext_lazy("Let a container out again"),
    "return-state-told": gettext_lazy("Told whether what came back is wet"),
    "role-set": gettext_lazy("Set a role"),
    "run-changed": gettext_lazy("Changed a run"),
    "run-closed": gettext_lazy("Closed a run"),
    "run-facts-told": gettext_lazy("Told facts of a run"),
    "run-started": gettext_lazy("Started a run"),
    "solvent-added": gettext_lazy("Added a solvent"),
    "solvent-confirmed": gettext_lazy("Confirmed a solvent"),
    "solvent-price-set": gettext_lazy("Set a price"),
    "stock-level-ended": gettext_lazy("Ended a stock level"),
    "stock-level-set": gettext_lazy("Set a stock level"),
    "storage-overridden": gettext_lazy("Overrode a storage rule"),
    "token-created": gettext_lazy("Made a token"),
    "token-revoked": gettext_lazy("Ended a token"),
    "treated": gettext_lazy("Treated the content"),
    "used-against-verdict": gettext_lazy("Used against the verdict"),
    "waste-collected": gettext_lazy("Had waste collected"),
    "told-late": gettext_lazy("Told then, sent when the network was back"),
    "waste-container-added": gettext_lazy("Added a waste container"),
    "waste-container-changed": gettext_lazy("Changed a waste container"),
    "webhook-added": gettext_lazy("Added a program that is told"),
    "webhook-edited": gettext_lazy("Changed a program that is told"),
    "webhook-ended": gettext_lazy("Switched off a program that is told"),
    "webhook-secret-changed": gettext_lazy("Gave a program a new secret"),
    "webhook-tried": gettext_lazy("Sent a trial message"),
    "apparatus-recorded": gettext_lazy("Recorded what was done to an apparatus"),
    "code-freed": gettext_lazy("Freed a code"),
    "distilled-too-often-allowed": gettext_lazy("Allowed one more distillation"),
    "distilling-cleared": gettext_lazy("Cleared distilling"),
    "distilling-overridden": gettext_lazy("Distilled against a refusal"),
    "import-undone": gettext_lazy("Took a list back"),
    "limit-changed": gettext_lazy("Changed a storage limit"),
    "limit-loosened": gettext_lazy("Made a storage limit milder"),
    "returned-under-override": gettext_lazy("Returned against a refusal"),
    "run-drafted": gettext_lazy("Planned a run"),
    "run-field-added": gettext_lazy("Added a field of runs"),
    "run-field-changed": gettext_lazy("Changed a field of runs"),
    "run-field-ended": gettext_lazy("Ended a field of runs"),
    "run-kind-added": gettext_lazy("Added a kind of run"),
    "run-kind-changed": gettext_lazy("Changed a kind of run"),
    "run-kind-ended": gettext_lazy("Ended a kind of run"),
    "run-reopened": gettext_lazy("Opened a run again"),
    "run-undone": gettext_lazy("Took a run back"),
    "runs-imported": gettext_lazy("Brought in a run log"),
    "sample-removed": gettext_lazy("Removed the sample lab"),
    "stock-imported": gettext_lazy("Brought in a stock list"),
    "treatment-withdrawn": gettext_lazy("Took a treatment back"),
}

KINDS: Mapping[str, Any] = {
    "alert": gettext_lazy("alert"),
    "apitoken": gettext_lazy("token"),
    "container": gettext_lazy("container"),
    "delivery": gettext_lazy("message"),
    "entrylink": gettext_lazy("invitation"),
    "feed": gettext_lazy("calendar or feed"),
    "job": gettext_lazy("job"),
    "lab": gettext_lazy("lab"),
    "location": gettext_lazy("place"),
    "membership": gettext_lazy("person"),
    "policy": gettext_lazy("policy"),
    "reagent": gettext_lazy("reagent"),
    "run": gettext_lazy("run"),
    "solvent": gettext_lazy("solvent"),
    "stocklevel": gettext_lazy("stock level"),
    "storagelimit": gettext_lazy("storage limit"),
    "wastecontainer": gettext_lazy("waste container"),
    "webhook": gettext_lazy("program that is told"),
}


def verb_words(verb: str) -> str:
    return str(VERBS.get(verb) or verb.replace("-", " ").capitalize())


def kind_words(kind: str) -> str:
    return str(KINDS.get(kind, kind))


def said(data: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What an event keeps beside who and when, as pairs for a page; what is empty is left out."""
    return [(key_words(name), text) for name, value in data.items() if (text := _flat(value))]


def _flat(value: Any) -> str:
    if value is None or value in ("", [], {}):
        return ""
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    if isinstance(value, Mapping):
        return "; ".join(f"{key_words(name)}: {_flat(part) or '–'}" for name, part in value.items())
    if isinstance(value, list):
        return "; ".join(_flat(part) for part in value)
    return str(value)
