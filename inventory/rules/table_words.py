"""Words of the shipped tables, which are kept as data: here they are found by whoever translates.

A row whose words are missing here is shown in English; a test holds this list to the tables.
"""

from __future__ import annotations

from collections.abc import Mapping

from inventory.rules.phrases import Phrase

_WORDS: Mapping[str, str] = {
    words: words
    for words in (
        # storage_groups.toml: what stands apart
        Phrase("Oxidisers feed a fire and may start one: they stand apart from what burns."),
        Phrase("Oxidisers and organic acids may react with heat and gas."),
        Phrase("Oxidisers and organic bases may react with heat and fire."),
        Phrase("Alkali metals and halogenated solvents can explode when they meet."),
        Phrase("Alkali metals and hydrides set hydrogen free from water and light it."),
        Phrase("Alkali metals and hydrides set hydrogen free from alcohols."),
        Phrase("Alkali metals and hydrides set hydrogen free from acids."),
        Phrase("Mineral acids stand apart from flammable liquids, in a cabinet of their own."),
        Phrase("Mineral and organic acids stand apart: some mineral acids oxidise."),
        Phrase("Acids and organic bases make heat and fumes when they meet."),
        Phrase("Halogenated solvents and amines react slowly with each other, with heat and pressure."),
        Phrase("Chloroform and acetone react violently where a base is near: keep them apart."),
        Phrase("Oxidisers and organic waste may catch fire or burst the container."),
        Phrase("Oxidisers never go into organic waste."),
        Phrase(
            "Mineral acids, nitric above all, react with organic waste, with gas that bursts a "
            "closed container."
        ),
        Phrase("Chloroform and acetone react violently where a base is present."),
        Phrase("Halogenated solvents and amines react with each other, with heat and pressure."),
        Phrase("Halogenated waste is collected apart from halogen-free waste: it goes another way."),
        Phrase("Alkali metals and hydrides never go into a solvent waste container."),
        Phrase("Watery waste is collected apart from solvent waste where the contractor asks for it."),
        # storage_limits.toml: codes that are no mere title
        Phrase("campus rule"),
        Phrase("UK suggested practice"),
        Phrase("NFPA 45 (2011), in use, storage not counted"),
        # storage_limits.toml: rows, and what a floor takes off
        Phrase("One cabinet, category 1 to 3"),
        Phrase("One cabinet, category 4"),
        Phrase("One cabinet, category 1 to 4 together"),
        Phrase("Outside a cabinet, industrial incidental use, category 1"),
        Phrase("Outside a cabinet, industrial incidental use, category 2 to 4"),
        Phrase("Outside a cabinet, one portable tank, category 2 to 4"),
        Phrase("Outside a cabinet, one room, construction"),
        Phrase("Open lab, outside cabinets"),
        Phrase("Laboratory unit class A, class I liquids, by area"),
        Phrase("Laboratory unit class A, class I, II and IIIA liquids, by area"),
        Phrase("Laboratory unit class A, class I liquids, most in the unit"),
        Phrase("Laboratory unit class A, class I, II and IIIA liquids, most in the unit"),
        Phrase("Laboratory unit class B, class I liquids, by area"),
        Phrase("Laboratory unit class B, class I, II and IIIA liquids, by area"),
        Phrase("Laboratory unit class B, class I liquids, most in the unit"),
        Phrase("Laboratory unit class B, class I, II and IIIA liquids, most in the unit"),
        Phrase("Laboratory unit class C, class I liquids, by area"),
        Phrase("Laboratory unit class C, class I, II and IIIA liquids, by area"),
        Phrase("Laboratory unit class C, class I liquids, most in the unit"),
        Phrase("Laboratory unit class C, class I, II and IIIA liquids, most in the unit"),
        Phrase("Laboratory unit class D, class I liquids, by area"),
        Phrase("Laboratory unit class D, class I, II and IIIA liquids, by area"),
        Phrase("Laboratory unit class D, class I liquids, most in the unit"),
        Phrase("Laboratory unit class D, class I, II and IIIA liquids, most in the unit"),
        Phrase("Educational laboratory unit class C, class I liquids, by area"),
        Phrase("Educational laboratory unit class C, class I, II and IIIA liquids, by area"),
        Phrase("Educational laboratory unit class C, class I liquids, most in the unit"),
        Phrase("Educational laboratory unit class C, class I, II and IIIA liquids, most in the unit"),
        Phrase("Laboratory unit class A, in use, class I liquids, by area"),
        Phrase("Laboratory unit class A, in use, class I, II and IIIA liquids, by area"),
        Phrase("Laboratory unit class B, in use, class I liquids, by area"),
        Phrase("Laboratory unit class B, in use, class I, II and IIIA liquids, by area"),
        Phrase("Laboratory unit class C, in use, class I liquids, by area"),
        Phrase("Laboratory unit class C, in use, class I, II and IIIA liquids, by area"),
        Phrase("Laboratory unit class D, in use, class I liquids, by area"),
        Phrase("Laboratory unit class D, in use, class I, II and IIIA liquids, by area"),
        Phrase("Control area, class IA"),
        Phrase("Control area, class IA, IB and IC together"),
        Phrase("Control area, class IB"),
        Phrase("Control area, class II"),
        Phrase("Control area, class IIIA"),
        Phrase("Control area, class IIIB"),
        Phrase("Size of one container: glass or approved plastic, category 1"),
        Phrase("Size of one container: glass or approved plastic, category 2"),
        Phrase("Size of one container: glass or approved plastic, category 3"),
        Phrase("Size of one container: glass or approved plastic, category 4"),
        Phrase("Size of one container: metal, not a DOT drum, category 1"),
        Phrase("Size of one container: metal, not a DOT drum, category 2"),
        Phrase("Size of one container: metal, not a DOT drum, category 3"),
        Phrase("Size of one container: metal, not a DOT drum, category 4"),
        Phrase("Size of one container: safety can, category 1"),
        Phrase("Size of one container: safety can, category 2"),
        Phrase("Size of one container: safety can, category 3"),
        Phrase("Size of one container: safety can, category 4"),
        Phrase("Size of one container: DOT metal drum, category 1 to 4"),
        Phrase("Size of one container: approved portable tank, category 1 to 4"),
        Phrase(
            "Size of one container: glass or plastic, category 1 and 2, where metal would spoil the "
            "liquid or corrode"
        ),
        Phrase("Workroom, highly flammable liquids, in a fire-resisting cabinet"),
        Phrase("Workroom, flash point above ambient up to 55 °C"),
        Phrase("Size of one container outside a fire-proof cabinet, flash point below 32 °C"),
        Phrase("Waste in one satellite area, all streams together"),
        Phrase("Acute waste in one satellite area"),
        Phrase("Class B above the 3rd floor"),
        Phrase("Class C or D on the 4th to 6th floor"),
        Phrase("Class C or D above the 6th floor"),
        Phrase("Open systems in use"),
        # waste_rules.toml: how long waste may be kept
        Phrase("Large generator: 90 days"),
        Phrase("Small generator: 180 days"),
        Phrase("Small generator, far from its disposal site: 270 days"),
        Phrase("Beyond the satellite limit: 3 days"),
    )
}


def table_words(words: str) -> str:
    """The same words, as a phrase where they are those of a shipped row."""
    return _WORDS.get(words, words)
