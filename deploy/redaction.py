"""Keeps the secret of a one-time link out of the log, where Django writes the address of a faulty request."""

from __future__ import annotations

import logging
import re

_LINK = re.compile(r"(/enter/)[^/\s\"'?]+")


class HideLinks(logging.Filter):
    """Writes /enter/[hidden] instead of the address of a one-time link, in the message and in a traceback."""

    def filter(self, record: logging.LogRecord) -> bool:
        text = record.getMessage()
        if "/enter/" in text:
            record.msg, record.args = _LINK.sub(r"\1[hidden]", text), ()
        return True
