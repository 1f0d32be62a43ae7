"""The processor's legs, in the 28-leg and the 32-leg package, by port name.

Source: ATmega48A/PA/88A/PA/168A/PA/328/P data sheet, section 1, figure "Pinout"; of the ATmega328PB, which has the
32-leg package only, its own: where that differs (legs 3, 6, 19 and 22) no leg is named here as ground or supply.
"""

from __future__ import annotations

#: leg 1 first
LEGS_28 = (
    *("PC6", "PD0", "PD1", "PD2", "PD3", "PD4", "VCC", "GND", "PB6", "PB7", "PD5", "PD6", "PD7", "PB0"),
    *("PB1", "PB2", "PB3", "PB4", "PB5", "AVCC", "AREF", "GND", "PC0", "PC1", "PC2", "PC3", "PC4", "PC5"),
)
LEGS_32 = (
    *("PD3", "PD4", "", "VCC", "GND", "", "PB6", "PB7", "PD5", "PD6", "PD7", "PB0", "PB1", "PB2", "PB3", "PB4"),
    *("PB5", "AVCC", "ADC6", "AREF", "GND", "ADC7", "PC0", "PC1", "PC2", "PC3", "PC4", "PC5", "PC6", "PD0", "PD1"),
    "PD2",
)


def leg(port: str, of: tuple[str, ...]) -> int:
    """The first leg of that name, counted from 1; 0 where the package has none."""
    return of.index(port) + 1 if port in of else 0


def legs_told(port: str) -> str:
    """ "leg 15 of 28, 13 of 32"; only the second where the small package has no such leg."""
    some = [f"{n} of {len(of)}" for of in (LEGS_28, LEGS_32) if (n := leg(port, of))]
    return f"leg {', '.join(some)}" if some else ""
