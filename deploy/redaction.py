"""Keeps secrets out of the log: those in the address of a faulty request, which Django writes, and keys."""

from __future__ import annotations

import logging
import re

_LINK = re.compile(r"(/(?:enter|feeds|confirm)/)[^/\s\"'?]+")
_KEY = re.compile(r"(whsec_)[A-Za-z0-9+/=]+")


class HideLinks(logging.Filter):
    """Writes [hidden] for the secret of a link that serves once, of a feed and of a webhook."""

    def filter(self, record: logging.LogRecord) -> bool:
        text = record.getMessage()
        if any(mark in text for mark in ("/enter/", "/feeds/", "/confirm/", "whsec_")):
            record.msg, record.args = _KEY.sub(r"\1[hidden]", _LINK.sub(r"\1[hidden]", text)), ()
        return True
