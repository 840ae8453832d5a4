"""The permission table of the pages: which methods each takes, and which roles may."""

from __future__ import annotations

from typing import NamedTuple

from tests.api.access_table import BENCH, EVERYONE, HEAD, KEEPERS

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
    Page(READING, "/labs/{slug}/containers/{code}/", EVERYONE),
    Page(BOTH, "/labs/{slug}/containers/{code}/{deed}/", BENCH),
    Page(READING, "/labs/{slug}/lots/{lot}/", EVERYONE),
    Page(BOTH, "/labs/{slug}/plan/", EVERYONE, BENCH),
    Page(READING, "/labs/{slug}/plan/picture/", EVERYONE),
    Page(READING, "/labs/{slug}/recovery/", EVERYONE),
    Page(READING, "/labs/{slug}/solvent-balance/", EVERYONE),
    Page(READING, "/labs/{slug}/runs/", EVERYONE),
    Page(BOTH, "/labs/{slug}/runs/start/", BENCH),
    Page(READING, "/labs/{slug}/runs/{run}/", EVERYONE),
    Page(BOTH, "/labs/{slug}/runs/{run}/close/", BENCH),
    Page(BOTH, "/labs/{slug}/runs/{run}/details/", BENCH),
    Page(BOTH, "/labs/{slug}/runs/{run}/facts/", BENCH),
    Page(BOTH, "/labs/{slug}/runs/{run}/give-up/", BENCH),
    Page(BOTH, "/labs/{slug}/runs/{run}/reopen/", KEEPERS),
    Page(BOTH, "/labs/{slug}/runs/{run}/states/", BENCH),
    Page(BOTH, "/labs/{slug}/invite/", HEAD),
    Page((*READING, *WRITING, "PUT"), "/login/", "anyone"),
    Page(WRITING, "/logout/", "anyone"),
    Page(WRITING, "/language/", "anyone"),
    Page(BOTH, "/enter/{secret}/", "anyone"),
]
