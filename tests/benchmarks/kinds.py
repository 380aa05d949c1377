"""The kinds of simulated bench: what is recorded, how much of it, and what is unusual about the truth."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Kind:
    """What a bench is like. Pairs are the least and the most.

    :param tasted: scored shots a setup; ``None``: all. :param served: chance that a taster scores a given tasted shot.
    :param read: chance of a reading; by ``reads``: of any shot, of good ones only, of suspect ones only.
    :param taster_by_coffee: standard deviation, points. :param halo: points that a time near 27 s adds to what is
        written down, not to what is liked. :param flat: how much less the faults matter.
    """

    says: str
    setups: tuple[int, int] = (32, 38)
    coffees: int = 9
    shots: tuple[int, int] = (5, 24)
    tasted: tuple[int, int] | None = None
    tasters: tuple[int, int] = (2, 4)
    served: float = 0.5
    read: float = 0.35
    reads: str = "any"
    taster_by_coffee: float = 0.3
    halo: float = 0.0
    poured_away: bool = False
    two_kinds: bool = False
    flat: float = 1.0
    top: tuple[float, float] = (1.45, 0.45)
    channel: float = 0.02


PLAIN = Kind("all shots tasted, readings on some")

KINDS: dict[str, Kind] = {
    "plain": PLAIN,
    "thin": Kind("3-6 shots, 1-3 of them tasted, 1-2 tasters", shots=(3, 6), tasted=(1, 3), tasters=(1, 2), read=0.1),
    "one_taster_a_shot": replace(PLAIN, says="each shot scored by one of its tasters", tasters=(3, 4), served=0.0),
    "taster_by_coffee": replace(PLAIN, says="tasters disagree by coffee", taster_by_coffee=0.9, tasters=(3, 4)),
    "no_readings": replace(PLAIN, says="no refractometer", read=0.0),
    "readings_on_good": replace(PLAIN, says="readings on good shots only", read=0.8, reads="good"),
    "readings_on_suspect": replace(PLAIN, says="readings on suspect shots only", read=0.8, reads="suspect"),
    "halo": replace(PLAIN, says="scores flatter a shot time near 27 s", halo=0.7),
    "poured_away": replace(PLAIN, says="poor shots are poured away unscored", poured_away=True),
    "few": replace(PLAIN, says="three to six setups", setups=(3, 6), coffees=4),
    "single": replace(PLAIN, says="one setup, ten shots", setups=(1, 1), coffees=1, shots=(10, 10)),
    "two_kinds": replace(PLAIN, says="light short fast shots beside dark classic ones", two_kinds=True),
    "rounds": replace(PLAIN, says="five to seven shots, all tasted", setups=(20, 20), coffees=6, shots=(5, 7)),
    "flat": replace(PLAIN, says="nothing matters much, nothing is good", flat=0.12, top=(0.35, 0.08), channel=0.015),
    "sure": replace(
        PLAIN, says="good coffee on even pucks, many shots", shots=(12, 24), top=(2.2, 0.25), channel=0.008
    ),
}
