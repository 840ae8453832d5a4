"""What a person reads in a table of runs instead of its codes. In English a table bears the codes alone."""

from __future__ import annotations

from collections.abc import Mapping

from inventory.rules.phrases import Phrase

__all__ = ["COLUMN_WORDS", "FINDING_WORDS", "STATE_WORDS", "TABLE_NAME"]

# Of a file: ASCII in any language, as some programs take no other names.
TABLE_NAME = Phrase("runs{which}", which="")
COLUMN_WORDS: Mapping[str, Phrase] = {
    "run": Phrase("Run"),
    "state": Phrase("State"),
    "kind": Phrase("Kind"),
    "purpose": Phrase("Purpose"),
    "operator": Phrase("Operator"),
    "room": Phrase("Room"),
    "apparatus": Phrase("Apparatus"),
    "started_at": Phrase("Began at"),
    "closed_at": Phrase("Closed at"),
    "solvent": Phrase("Solvent"),
    "charged_ml": Phrase("Charged, mL"),
    "returned_ml": Phrase("Returned, mL"),
    "held_ml": Phrase("Still in it, mL"),
    "lost_ml": Phrase("Lost, mL"),
    "loss_fraction": Phrase("Share lost"),
    "findings": Phrase("Findings"),
    "facts": Phrase("What was told of it"),
    "remarks": Phrase("Remarks"),
}
STATE_WORDS: Mapping[str, Phrase] = {
    "draft": Phrase("draft"),
    "open": Phrase("not closed yet"),
    "closed": Phrase("closed"),
    "given-up": Phrase("draft, given up"),
}
FINDING_WORDS: Mapping[str, Phrase] = {
    "more-back": Phrase("More came back than went out."),
    "heel-not-kept": Phrase("The heel was not kept."),
    "distilled-without-clearance": Phrase("It was distilled without having been cleared."),
    "former-not-accounted-for": Phrase("A peroxide former is not accounted for: it may have boiled off."),
    "nothing-back": Phrase("Nothing came back."),
    "more-back-than-out": Phrase("More came back than went out."),
    "distilled-too-often": Phrase("It was distilled more often than the lab allows."),
}
