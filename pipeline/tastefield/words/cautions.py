"""Cautions: where this work can hurt someone, said shortly enough to be read, with the source of every number.

The page shows all of them; the card that leaves with a machine has its own, shorter, in ``card.toml``. What is common
practice without a source says so.
"""

from __future__ import annotations

from dataclasses import dataclass

PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Caution:
    """One caution.

    :param topic: what it is about, in a few words.
    :param text: what may happen and what to do, in one to three sentences.
    :param source: where its numbers come from.
    """

    topic: str
    text: str
    source: str = PRACTICE


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "Hot water, steam and metal",
        "Brew water, steam and the metal around them are at 90 to 130 °C and burn in about a second; at 60 °C a deep"
        " burn takes a few seconds, for a child less. Keep hands off the spout, the wand and the brew head.",
        "saturated steam at 1.0 and 1.5 bar gauge is at 120 and 128 °C (IAPWS-IF97); burn times as children's "
        "hospitals publish them",
    ),
    Caution(
        "Pressure behind a choked shot",
        "A shot that does not flow leaves pressure behind the coffee. Stop, wait until it has gone, undo the filter "
        "holder slowly and stand aside of it. Then grind coarser: never go finer than a setting that choked.",
    ),
    Caution(
        "Dose and basket",
        "More coffee than the basket is made for presses on the brew head and can choke the shot. Stay within 1 g of"
        " what is written on the basket.",
    ),
    Caution(
        "Turning the grinder",
        "Turn a grinder finer only while it runs or when it is empty; coffee caught between the burrs can jam it. "
        "Unplug it before reaching inside.",
    ),
    Caution(
        "Opening a machine",
        "Unplug it, let it cool and let its pressure fall to nothing before any cover comes off. Mains, pressure and"
        " gas parts are for a qualified person under the rules of the place.",
        "household machines: IEC 60335-2-15; machines for trade use have rules of their own",
    ),
    Caution(
        "Pressure valves",
        "A relief valve protects people: it is never bypassed, blocked or reset to mend a taste.",
    ),
    Caution(
        "What bench checks are",
        "Checks listed here say what was checked, by whom and how. They are no certificate of safety; after opening "
        "a machine, earth and leaks are to be checked before it is handed over.",
    ),
    Caution(
        "Descaling",
        "Descale only as the maker allows and with the acid the maker allows, with gloves and eye protection, never "
        "together with bleach. Rinse until nothing of it is left and pour the first cups away.",
        "safety data sheets of citric and glycolic descalers: eye irritant",
    ),
    Caution(
        "Caffeine for those who taste",
        "One espresso may hold anything from about 50 to 320 mg. Up to 200 mg at a time and 400 mg a day raise no "
        "concern for healthy adults, 200 mg a day when pregnant or breast-feeding. Several shots in a sitting are "
        "soon past that: sip, spit, and stop.",
        "EFSA Journal 2015;13(5):4102; Crozier et al. 2012, Food Funct. 3:30; Ludwig et al. 2014, Food Funct.",
    ),
    Caution(
        "Too hot to drink",
        "Let a cup cool below 65 °C before drinking; regularly drinking hotter is probably harmful.",
        "IARC 2016, group 2A, as quoted in Dirler et al. 2018, Foods 7:83",
    ),
    Caution(
        "Milk",
        "Milk can make people with an allergy very ill: say when a drink or a wand has touched it. Purge and wipe "
        "the wand before and after.",
    ),
    Caution(
        "How far the settings hold",
        "For this coffee, this grinder and this water only, and while the coffee is as old as it was. Another bag, "
        "roast or burr needs a new look.",
    ),
)
"""Every caution, the most urgent first."""
