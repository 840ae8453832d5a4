"""Where two cells of one bottle disagree or one is missing: keep the row, take the worse, say so."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from inventory.rules.phrases import Phrase
from inventory.rules.sheets.cells import Inhibitor, OpenedCell, Origin, ReadingCell
from inventory.rules.sheets.outcomes import Outcome, warning
from inventory.rules.sheets.planning import Amount
from inventory.rules.sheets.remarks import Sign
from inventory.rules.signs import SIGN_CODES

_GRAVE_SIGNS = frozenset(("crystals", "cloudy", "viscous-layer", "cap-stuck", "odd-colour"))
_DISTILLED: frozenset[Origin] = frozenset(("distilled-here", "recovered"))


@dataclass(frozen=True, slots=True)
class Dates:
    """The days of one bottle; None where a cell is empty."""

    received_on: date | None
    opened: OpenedCell
    tested_on: date | None
    expires_on: date | None


def inhibitor_agreed(
    cell: Inhibitor, labelled: Inhibitor, origin: Origin, line: int, header: str, said: list[Outcome]
) -> Inhibitor:
    """One inhibitor from its own cell, the solvent's name and the origin.

    The name in the solvent cell counts where the inhibitor cell is silent; where they disagree it is "no". A
    distillate keeps no inhibitor (it stays in the flask), so a bare "yes" there is not believed.
    """
    merged = cell
    if cell.state == "not-stated" and not cell.name:
        merged = labelled
    elif "not-stated" not in (cell.state, labelled.state) and cell.state != labelled.state:
        reason = Phrase("The inhibitor cell and the solvent's name disagree; it counts as uninhibited.")
        said.append(warning(line, header, "inhibitor-doubtful", reason, Phrase("Look at the label.")))
        merged = Inhibitor("no")
    elif cell.state == "yes" and not cell.name and labelled.name:
        merged = labelled
    if merged.state == "not-stated" and merged.name:
        reason = Phrase("“{name}” is not a known inhibitor; it counts as not stated.", name=merged.name)
        said.append(
            warning(line, header, "inhibitor-unknown", reason, Phrase('Write "yes", "no" or its name.'))
        )
    if merged.state == "yes" and not merged.name and origin in _DISTILLED:
        reason = Phrase("A distillate holds no inhibitor unless one was added; it counts as uninhibited.")
        said.append(
            warning(line, header, "inhibitor-doubtful", reason, Phrase("Name the inhibitor that was added."))
        )
        merged = Inhibitor("no")
    return merged


def worse_opened(
    dates: Dates,
    size: Amount,
    left: Amount,
    reading: ReadingCell | None,
    signs: tuple[Sign, ...],
    line: int,
    header: str,
    said: list[Outcome],
) -> Dates:
    """The opening as the other cells allow it: what was drawn from or tested has been opened."""
    opened = dates.opened
    drawn = size.ml is None or left.ml is None or left.ml < size.ml
    tested = reading is not None and reading.comparator != "unknown"
    if opened.state != "opened" and (drawn or tested):
        proof = Phrase("it was tested")
        if drawn:
            proof = Phrase("{left} of {size} are left", left=left.quantity.text, size=size.quantity.text)
        claim = Phrase("not said to be opened")
        if opened.state == "unopened":
            claim = Phrase("said to be sealed")
        code = "sealed-doubtful" if opened.state == "unopened" else "opening-assumed"
        reason = Phrase(
            "The bottle is {claim}, but {proof}: it counts as opened on an unknown day.",
            claim=claim,
            proof=proof,
        )
        said.append(warning(line, header, code, reason, Phrase("Give the day on which it was opened.")))
        opened = OpenedCell("opened", None, opened.text)
    elif opened.state == "opened" and opened.opened_on is None:
        reason = Phrase("The day of opening is not known: the worst is assumed.")
        said.append(
            warning(line, header, "opened-unknown", reason, Phrase("Give the day if anyone can find out."))
        )
    if opened.opened_on and any(sign.code == "dates-doubtful" for sign in signs):
        reason = Phrase(
            "The remark doubts the dates, so {opened_on} is not relied on: opened on an unknown day.",
            opened_on=opened.opened_on,
        )
        said.append(
            warning(line, header, "dates-doubtful", reason, Phrase("Give the day if anyone can find out."))
        )
        opened = OpenedCell("opened", None, opened.text)
    return dates if opened is dates.opened else replace(dates, opened=opened)


def order_noted(
    dates: Dates,
    reading: ReadingCell | None,
    counted_on: date,
    line: int,
    headers: Mapping[str, str],
    said: list[Outcome],
) -> Dates:
    """Dates that do not follow each other: noted, and the earlier day counts where age matters."""
    received, opened, tested = dates.received_on, dates.opened.opened_on, dates.tested_on
    if received is None:
        reason = Phrase("The day it was received is not stated: its age is not known.")
        said.append(warning(line, headers.get("received_on", ""), "received-unknown", reason))
    if received and opened and opened < received:
        reason = Phrase(
            "Opened on {opened}, before it was received on {received}: its age counts from {opened}.",
            opened=opened,
            received=received,
        )
        said.append(
            warning(line, headers["opened"], "dates-doubtful", reason, Phrase("Correct one of the two."))
        )
        received = opened
    _test_noted(dates, reading, line, headers, said)
    late = max((d for d in (received, opened, tested) if d), default=counted_on)
    if late > counted_on:
        reason = Phrase("{late} lies after the count of {counted_on}.", late=late, counted_on=counted_on)
        said.append(
            warning(line, "", "after-the-count", reason, Phrase("Check the date, or the day of the count."))
        )
    return dates if received == dates.received_on else replace(dates, received_on=received)


def _test_noted(
    dates: Dates, reading: ReadingCell | None, line: int, headers: Mapping[str, str], said: list[Outcome]
) -> None:
    header = headers.get("tested_on", "")
    received, opened, tested = dates.received_on, dates.opened.opened_on, dates.tested_on
    if reading is None and tested:
        reason = Phrase("A test day without a result is no pass.")
        said.append(warning(line, header, "test-without-result", reason, Phrase("Give the result.")))
    if reading is not None and tested is None:
        reason = Phrase("A result without its day is kept, but vouches for nothing.")
        said.append(warning(line, header, "test-undated", reason, Phrase("Give the day of the test.")))
    if tested and opened and tested < opened:
        reason = Phrase(
            "Tested on {tested}, before it was opened on {opened}: that says nothing of the time since.",
            tested=tested,
            opened=opened,
        )
        said.append(warning(line, header, "tested-before-opened", reason, Phrase("Test again.")))
    if tested and received and tested < received:
        reason = Phrase(
            "Tested on {tested}, before it was received on {received}.", tested=tested, received=received
        )
        said.append(
            warning(line, header, "tested-before-received", reason, Phrase("Correct one of the two."))
        )


def signs_noted(signs: tuple[Sign, ...], line: int, header: str, said: list[Outcome]) -> None:
    """Say which safety signs a remark holds; the dates' own is said with the dates."""
    for sign in signs:
        if sign.code == "dates-doubtful":
            continue
        reason = Phrase(
            "The remark says “{words}”: kept as the safety sign {code}.",
            words=sign.words,
            code=SIGN_CODES.get(sign.code, sign.code),
        )
        if sign.code in _GRAVE_SIGNS:
            remedy = Phrase("Do not open or move it before someone who knows has looked.")
            said.append(warning(line, header, f"sign-{sign.code}", reason, remedy))
        else:
            said.append(Outcome(line, header, "info", f"sign-{sign.code}", reason))


def doubt_noted(
    reading: ReadingCell | None, signs: tuple[Sign, ...], line: int, header: str, said: list[Outcome]
) -> tuple[ReadingCell | None, tuple[Sign, ...]]:
    """ "?" or "OK" in the peroxide cell is no reading, but stays as a sign; other notes are told."""
    if reading is None:
        return None, signs
    if reading.comparator == "unknown":
        reason = Phrase("“{text}” is no reading ({note}).", text=reading.text, note=reading.note)
        said.append(
            warning(line, header, "reading-doubtful", reason, Phrase("Test again and write a value."))
        )
        return None, (*signs, Sign("peroxide-unknown", reading.text))
    if reading.note:
        said.append(
            Outcome(
                line,
                header,
                "info",
                "reading-note",
                Phrase("“{text}”: {note}.", text=reading.text, note=reading.note),
            )
        )
    return reading, signs
