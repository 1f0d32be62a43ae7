"""The usual cautions, in one place: shown before stages that may move something, and in every report."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: its topic in a word or two, and what to heed."""

    topic: str
    text: str


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "Motors and propellers",
        "A motor can start at any moment while it is powered. Work with the propeller off, hold the craft down, keep "
        "hands, hair, sleeves and cables out of the plane of rotation, protect your eyes, and keep others away. The "
        "stop key is an operating stop only: the battery plug or supply switch within reach is the emergency stop.",
    ),
    Caution(
        "Servos",
        "A servo moves without warning and its linkage can pinch. Take the linkage off or keep your fingers out. Feed "
        "it from a supply of its own, never by plugging the motors' battery in for it.",
    ),
    Caution(
        "Lithium batteries",
        "Short circuits, punctures, overcharging and deep discharge can start a fire that water does not easily put "
        "out. Use a charger made for the cells, charge on a surface that cannot burn and never unwatched, store them "
        "part-charged, and take swollen or damaged cells out of use. For first tests, a current-limited supply or a "
        "fuse is the better source.",
    ),
    Caution(
        "Soldering",
        "Iron and solder burn and the fumes harm: ventilate, wear eye protection, wash your hands after handling "
        "leaded solder, and solder only with all power removed.",
    ),
    Caution(
        "Radio",
        "Frequencies, power, duty and antennas are regulated and differ from place to place. Transmit only on what is "
        "allowed where you are, and do not disturb others.",
    ),
    Caution(
        "Flying and driving outdoors",
        "A passed bench test is no permission to fly, drive or float anything. Registration, insurance, distances, "
        "heights and protected areas are a matter of local rules; test first where nobody can be hurt.",
    ),
    Caution(
        "What this does not replace",
        "Local law, the makers' instructions and people licensed for electrical, radio or aviation work come first. "
        "These notes remind; they do not replace any of them.",
    ),
)
