"""The words of `recovery/data/solvent_balance.toml`, and the kinds of place in it, as phrases.

The file keeps English. Held to it by `tests/recovery/rules/test_solvent_papers_said.py`.
"""

from __future__ import annotations

from collections.abc import Mapping

from inventory.rules.phrases import Phrase

__all__ = ["KIND_WORDS", "TERM_NAMES", "kind_words", "of_the_file"]

# What each term is called: the words of the file without the stop.
TERM_NAMES = {
    "I1": Phrase("New solvent used: opening stock, and what came in, less closing stock"),
    "I2": Phrase("Recovered solvent put back in"),
    "O1": Phrase("Emission in waste gas, through a stack"),
    "O2": Phrase("Lost in water"),
    "O3": Phrase("Left in product"),
    "O4": Phrase("Emission to air that nothing captures, by room and window"),
    "O5": Phrase("Destroyed or captured, as in a reaction"),
    "O6": Phrase("In collected waste"),
    "O7": Phrase("Sold as product or in it"),
    "O8": Phrase("Recovered for reuse, but not here"),
    "O9": Phrase("Other releases"),
}
_WORDS = (
    Phrase(
        "Recovered solvent charged to a run, counted every time. Of a blend only the part that was "
        "distilled back here counts; what is drawn outside a run, and runs from before counting, count "
        "nothing: a smaller I2 makes the fugitive share larger, the worse."
    ),
    Phrase("No row names this movement: solvent in counts as new, solvent out as released."),
    Phrase("Bought."),
    Phrase("Made here: new to the process, though nobody sold it."),
    Phrase("Was here before counting began; it has no month that it was bought in."),
    Phrase("Came back in a run from before counting began."),
    Phrase("Dissolved in a water layer."),
    Phrase(
        "Held up in product. No record says that it was sold in it (O7), so it counts as fugitive, the worse."
    ),
    Phrase("To the air. No record says that a stack took it (O1), so it counts as fugitive, the worse."),
    Phrase("Used up by a reaction."),
    Phrase("Collected as waste; it counts when it is put in, not when the contractor comes."),
    Phrase(
        "Left in the still residue. No record says that it was collected, so it counts as released, the "
        "worse; booked into a waste container it is O6."
    ),
    Phrase("Missing, and nobody can name why: it counts as released, the worse."),
    Phrase("A count found less than recorded: it counts as released, the worse."),
    Phrase(
        "More came back from a run than went in. It is not set off against what is missing elsewhere: it "
        "counts as new, the worse."
    ),
    Phrase(
        "A count found more than recorded. It is not set off against what is missing elsewhere: it counts"
        " as new, the worse."
    ),
    Phrase("Drawn, and put back unused."),
    Phrase("Booked as product, and put back unused."),
    Phrase("Booked to the air, and put back."),
    Phrase("Booked to a reaction, and put back unused."),
    Phrase("Booked as waste, and put back."),
    Phrase("The contractor took what was counted when it was put in."),
    Phrase("Held up in product that was collected as waste."),
    Phrase("Booked to a reaction, and collected as waste."),
    Phrase(
        "Waste of solvent that the records do not know: it is not set off against what is missing, so it "
        "counts as new and as waste."
    ),
)
_SOURCES = (
    Phrase("Directive 2010/75/EU Annex VII Part 7"),
    Phrase("Directive 2010/75/EU Annex VII Part 7, legislation.gov.uk/eudr/2010/75/annex/VII/part/7"),
    Phrase("Annex VII Part 7; with stock: evocs.org"),
    Phrase("Annex VII Part 7"),
    Phrase("Annex VII Part 7; Norwegian Pollution Regulations ch. 9 App. III"),
    Phrase("Annex VII Part 7 (from memory)"),
    Phrase("Annex VII Part 7 (from memory); Dutch InfoMil 3.2"),
    Phrase("Annex VII Part 7; Dutch InfoMil 3.2 on the inner loop"),
    Phrase("ours; the Directive names purchases only"),
    Phrase("ours, as an opening stock (evocs.org)"),
    Phrase("ours; the inner loop of such a run (Dutch InfoMil 3.2)"),
    Phrase("ours"),
    Phrase("Dutch InfoMil 3.2"),
    Phrase("Inside the stock: stands or is at work here, before and after."),
)
# A program reads the code, a person the word of their language.
KIND_WORDS: Mapping[str, Phrase] = {
    "supplier": Phrase("supplier"),
    "made-here": Phrase("made-here"),
    "before-counting": Phrase("before-counting"),
    "container": Phrase("container"),
    "run": Phrase("run"),
    "blending": Phrase("blending"),
    "water-layer": Phrase("water-layer"),
    "product": Phrase("product"),
    "air": Phrase("air"),
    "reaction": Phrase("reaction"),
    "waste-container": Phrase("waste-container"),
    "waste-contractor": Phrase("waste-contractor"),
    "still-residue": Phrase("still-residue"),
    "unaccounted": Phrase("unaccounted"),
    "count-difference": Phrase("count-difference"),
}
_OF_THE_FILE: Mapping[str, Phrase] = {
    str(words): words
    for words in (*_WORDS, *_SOURCES, *(Phrase("{words}.", words=name) for name in TERM_NAMES.values()))
}


def of_the_file(text: str) -> str:
    """Words or a source of the shipped file as a phrase; any others as they are."""
    return _OF_THE_FILE.get(text, text)


def kind_words(kind: str) -> str:
    """A kind of place as a phrase; one that the file does not know as it is."""
    return KIND_WORDS.get(kind, kind)
