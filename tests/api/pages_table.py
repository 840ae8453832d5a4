"""The permission table of the pages: which methods each takes, and which roles may."""

from __future__ import annotations

from typing import NamedTuple

from tests.api.access_table import AUDIT, BENCH, EVERYONE, HEAD, KEEPERS

READING, WRITING = ("GET",), ("POST",)
BOTH = READING + WRITING


class Page(NamedTuple):
    """taken: methods that are not answered 405. roles: who may; "anyone" needs no sign-in.

    writers: who may POST, where those are fewer.
    """

    taken: tuple[str, ...]
    address: str
    roles: str
    writers: str = ""

    def who(self, method: str) -> list[str]:
        return (self.writers if self.writers and method == "POST" else self.roles).split()


#: of one person, whatever their role: tests/web/test_passkeys.py holds that nobody else reaches it
OF_ONE_PERSON = {"/you/passkeys/{passkey}/"}
PAGES = [
    Page(READING, "/", EVERYONE),
    Page(READING, "/labs/{slug}/", EVERYONE),
    Page(READING, "/labs/{slug}/scan/", EVERYONE),
    Page(READING, "/labs/{slug}/shelf/", EVERYONE),
    Page(READING, "/labs/{slug}/shelf.csv", EVERYONE),
    Page(READING, "/labs/{slug}/labels/", EVERYONE),
    Page(READING, "/labs/{slug}/labels.pdf", EVERYONE),
    Page(READING, "/labs/{slug}/more/", EVERYONE),
    Page(BOTH, "/labs/{slug}/receive/", KEEPERS),
    Page(READING, "/labs/{slug}/storage/", EVERYONE),
    Page(READING, "/labs/{slug}/storage.csv", EVERYONE),
    Page(BOTH, "/labs/{slug}/storage/add/", KEEPERS),
    Page(READING, "/labs/{slug}/storage/{location}/", EVERYONE),
    Page(BOTH, "/labs/{slug}/storage/{location}/change/", KEEPERS),
    Page(BOTH, "/labs/{slug}/storage/{location}/end/", KEEPERS),
    Page(BOTH, "/labs/{slug}/storage/{location}/limit/", KEEPERS),
    Page(READING, "/labs/{slug}/storage/{location}/list/", EVERYONE),
    Page(READING, "/labs/{slug}/storage/{location}/list.csv", EVERYONE),
    Page(READING, "/labs/{slug}/storage/{location}/list.pdf", EVERYONE),
    Page(BOTH, "/labs/{slug}/limits/{limit}/change/", KEEPERS),
    Page(BOTH, "/labs/{slug}/limits/{limit}/end/", HEAD),
    Page(READING, "/labs/{slug}/solvents/", EVERYONE),
    Page(READING, "/labs/{slug}/solvents.csv", EVERYONE),
    Page(BOTH, "/labs/{slug}/solvents/add/", KEEPERS),
    Page(READING, "/labs/{slug}/solvents/{solvent}/", EVERYONE),
    Page(BOTH, "/labs/{slug}/solvents/{solvent}/confirm/", KEEPERS),
    Page(BOTH, "/labs/{slug}/solvents/{solvent}/level/", KEEPERS),
    Page(READING, "/labs/{slug}/policies/", EVERYONE),
    Page(READING, "/labs/{slug}/policies/{policy}/", EVERYONE),
    Page(BOTH, "/labs/{slug}/policies/{policy}/copy/", KEEPERS),
    Page(READING, "/labs/{slug}/policies/{policy}/rules.csv", EVERYONE),
    Page(BOTH, "/labs/{slug}/policies/{policy}/use/", HEAD),
    Page(BOTH, "/labs/{slug}/policies/{policy}/{part}/{row}/", KEEPERS),
    Page(READING, "/labs/{slug}/reagents/", EVERYONE),
    Page(READING, "/labs/{slug}/reagents.csv", EVERYONE),
    Page(BOTH, "/labs/{slug}/reagents/add/", KEEPERS),
    Page(BOTH, "/labs/{slug}/reagents/{reagent}/change/", KEEPERS),
    Page(BOTH, "/labs/{slug}/reagents/{reagent}/end/", KEEPERS),
    Page(BOTH, "/labs/{slug}/inspection/", AUDIT),
    Page(READING, "/labs/{slug}/inspection/report.pdf", AUDIT),
    Page(READING, "/labs/{slug}/inspection.csv", AUDIT),
    Page(READING, "/labs/{slug}/inspection.pdf", AUDIT),
    Page(BOTH, "/labs/{slug}/import/", KEEPERS),
    Page(BOTH, "/labs/{slug}/import/{sheet}/", KEEPERS),
    Page(READING, "/labs/{slug}/import/{sheet}/rows-to-mend.csv", KEEPERS),
    Page(BOTH, "/labs/{slug}/imports/{event}/", KEEPERS),
    Page(BOTH, "/labs/{slug}/sample/", KEEPERS),
    Page(READING, "/labs/{slug}/containers/{code}/", EVERYONE),
    Page(BOTH, "/labs/{slug}/containers/{code}/{deed}/", BENCH),
    Page(READING, "/labs/{slug}/lots/{lot}/", EVERYONE),
    Page(BOTH, "/labs/{slug}/plan/", EVERYONE, BENCH),
    Page(READING, "/labs/{slug}/plan/picture/", EVERYONE),
    Page(READING, "/labs/{slug}/plan.csv", EVERYONE),
    Page(BOTH, "/labs/{slug}/quality-checks/{check}/take-back/", KEEPERS),
    Page(READING, "/labs/{slug}/quality-limits/", EVERYONE),
    Page(READING, "/labs/{slug}/quality-limits.csv", EVERYONE),
    Page(BOTH, "/labs/{slug}/quality-limits/add/", KEEPERS),
    Page(BOTH, "/labs/{slug}/quality-limits/{quality_limit}/change/", KEEPERS),
    Page(BOTH, "/labs/{slug}/quality-limits/{quality_limit}/end/", HEAD),
    Page(READING, "/labs/{slug}/recovery/", EVERYONE),
    Page(READING, "/labs/{slug}/recovery.csv", EVERYONE),
    Page(READING, "/labs/{slug}/runs/{run}/balance.csv", EVERYONE),
    Page(READING, "/labs/{slug}/containers/{code}/readings.csv", EVERYONE),
    Page(BOTH, "/labs/{slug}/apparatus/", EVERYONE, KEEPERS),
    Page(READING, "/labs/{slug}/apparatus/{apparatus}/", EVERYONE),
    Page(BOTH, "/labs/{slug}/apparatus/{apparatus}/change/", KEEPERS),
    Page(BOTH, "/labs/{slug}/apparatus/{apparatus}/end/", KEEPERS),
    Page(BOTH, "/labs/{slug}/apparatus/{apparatus}/record/", BENCH),
    Page(BOTH, "/labs/{slug}/apparatus-records/{record}/take-back/", KEEPERS),
    Page(BOTH, "/labs/{slug}/loss-fits/", EVERYONE, KEEPERS),
    Page(READING, "/labs/{slug}/loss-fits/{fit}/", EVERYONE),
    Page(BOTH, "/labs/{slug}/loss-fits/{fit}/adopt/", KEEPERS),
    Page(BOTH, "/labs/{slug}/loss-fits/{fit}/end/", KEEPERS),
    Page(READING, "/labs/{slug}/solvent-balance/", EVERYONE),
    Page(READING, "/labs/{slug}/solvent-balance/flows.csv", EVERYONE),
    Page(READING, "/labs/{slug}/runs/", EVERYONE),
    Page(BOTH, "/labs/{slug}/runs/start/", BENCH),
    Page(READING, "/labs/{slug}/runs/{run}/", EVERYONE),
    Page(BOTH, "/labs/{slug}/runs/{run}/charge/", BENCH),
    Page(BOTH, "/labs/{slug}/runs/{run}/return/", BENCH),
    Page(BOTH, "/labs/{slug}/runs/{run}/lost/", BENCH),
    Page(BOTH, "/labs/{slug}/runs/{run}/close/", BENCH),
    Page(BOTH, "/labs/{slug}/runs/{run}/details/", BENCH),
    Page(BOTH, "/labs/{slug}/runs/{run}/facts/", BENCH),
    Page(BOTH, "/labs/{slug}/runs/{run}/give-up/", BENCH),
    Page(BOTH, "/labs/{slug}/runs/{run}/reopen/", KEEPERS),
    Page(BOTH, "/labs/{slug}/runs/{run}/states/", BENCH),
    Page(BOTH, "/labs/{slug}/invite/", HEAD),
    Page(BOTH, "/labs/{slug}/alerts/", EVERYONE, KEEPERS),
    Page(READING, "/labs/{slug}/alerts.csv", EVERYONE),
    Page(BOTH, "/labs/{slug}/alerts/{alert}/", EVERYONE, BENCH),
    Page(BOTH, "/labs/{slug}/alert-settings/", EVERYONE),
    Page(BOTH, "/labs/{slug}/deliveries/", KEEPERS),
    Page(READING, "/labs/{slug}/deliveries.csv", KEEPERS),
    Page(BOTH, "/labs/{slug}/failed-jobs/", AUDIT, KEEPERS),
    Page(READING, "/labs/{slug}/failed-jobs.csv", AUDIT),
    Page(BOTH, "/labs/{slug}/feeds/", EVERYONE),
    Page(BOTH, "/labs/{slug}/settings/", HEAD),
    Page(BOTH, "/labs/{slug}/people/", AUDIT, HEAD),
    Page(READING, "/labs/{slug}/people.csv", AUDIT),
    Page(BOTH, "/labs/{slug}/people/{person}/", HEAD),
    Page(BOTH, "/labs/{slug}/status/", AUDIT, KEEPERS),
    Page(BOTH, "/labs/{slug}/tokens/", EVERYONE),
    Page(READING, "/labs/{slug}/trail/", AUDIT),
    Page(READING, "/labs/{slug}/trail.csv", AUDIT),
    Page(BOTH, "/labs/{slug}/webhooks/", HEAD),
    Page(BOTH, "/labs/{slug}/webhooks/{webhook}/", HEAD),
    Page((*READING, *WRITING, "PUT"), "/login/", "anyone"),
    Page(BOTH, "/login/second/", "anyone"),
    Page(WRITING, "/login/passkey/", "anyone"),
    Page(WRITING, "/login/passkey/ask/", "anyone"),
    Page(BOTH, "/you/", EVERYONE),
    Page(BOTH, "/you/mail/", EVERYONE),
    Page(BOTH, "/you/password/", EVERYONE),
    Page(BOTH, "/you/places/", EVERYONE),
    Page(BOTH, "/you/second-step/", EVERYONE),
    Page(BOTH, "/you/recovery-codes/", EVERYONE),
    Page(BOTH, "/you/passkeys/", EVERYONE),
    Page(WRITING, "/you/passkeys/ask/", EVERYONE),
    Page(WRITING, "/logout/", "anyone"),
    Page(WRITING, "/language/", "anyone"),
    Page(BOTH, "/enter/{secret}/", "anyone"),
    Page(BOTH, "/confirm/{secret}/", "anyone"),
]
