"""What the supply stage reads: names, labels and limits."""

from __future__ import annotations

from benchctl.stages.contract import ReadingSpec
from benchctl.stages.supply_path import PATH_MEASURES
from benchctl.terms import Limit

SUPPLY_MEASURES = (
    ReadingSpec(
        "vcc", "V", "processor's supply", Limit(2.4, 5.5), "same", 2, "%",
        about="Supply at rest, measured against the chip's own reference; it decides what clock is safe. Usual: "
              "5.0 V on USB, 3.3 V on low-voltage boards; 1.8 to 5.5 V are allowed (ATmega328P data sheet).",
    ),
    ReadingSpec(
        "ripple", "mV", "supply ripple at rest", Limit(max=150.0), "lower", 20, "",
        about="Unrest of the supply, peak to peak, with no load switched; it shakes every analogue reading. "
              "Usual: below 50 mV (common practice, no source).",
    ),
    ReadingSpec(
        "radio_volts", "V", "transceiver's supply", Limit(2.7, 3.6), "same", 2, "%",
        about="Supply of the transceiver at rest; above 3.6 V it breaks, below 1.9 V it forgets its settings. "
              "Usual: 3.3 V (nRF24L01+ Product Specification 1.0).",
    ),
    ReadingSpec(
        "radio_volts_listening", "V", "transceiver's supply, listening", Limit(min=2.4), "same", 2, "%",
        about="The same while it listens and draws its 13.5 mA without pause; it must stay clear of the 1.9 V "
              "where settings are lost. Usual: 3.3 V (nRF24L01+ Product Specification 1.0).",
    ),
    ReadingSpec(
        "listening_lost", "", "settings forgotten while listening", Limit(max=0), "lower", 0.5, "",
        about="How often the transceiver came back with reset values while listening: its supply was gone. "
              "Usual: never.",
    ),
    ReadingSpec(
        "settings_lost", "", "settings forgotten while sending (1: yes)", Limit(max=0), "lower", 0.5, "",
        about="Whether the transceiver came back with reset values after sending: its supply was gone. Usual: no.",
    ),
    *PATH_MEASURES,
    # the level below 16 MHz's safe range that still stops a chip before it errs (ATmega328P data sheet, 28.3)
    ReadingSpec(
        "brown_out_level", "V", "brown-out level, as fused", Limit(min=2.5), "same", 0.1, "",
        about="Supply below which the chip resets itself, from its fuses; without one it errs instead. Usual: "
              "2.7 V or 4.3 V (ATmega328P data sheet, 28.3).",
    ),
    ReadingSpec(
        "transmit_dip", "V", "transceiver's supply dips in a burst by", Limit(max=0.3), "lower", 0.03, "",
        about="How far the transceiver's supply falls while it sends; a missing bulk capacitor shows here first."
              " Usual: below 0.1 V (common practice, no source).",
    ),
    ReadingSpec(
        "transmit_load", "mA", "current taken for sending", None, "same", 1, "%",
        about="What the transceiver is taken to draw when sending, by its variant: 11.3 mA plain, some 115 mA "
              "amplified (nRF24L01+ Product Specification 1.0; module sheets).",
    ),
    ReadingSpec(
        "transmit_bulk", "uF", "bulk capacity that is effective", None, "same", 50, "%",
        about="Capacity at the transceiver worked out from how fast its supply falls; it bridges the burst. "
              "Usual: 10 to 100 µF (common practice, no source).",
    ),
    ReadingSpec(
        "transmit_delivered", "mA", "current from the regulator in a burst", None, "same", 50, "%",
        about="What the regulator gave while the transceiver sent; less than the load empties the capacitor. "
              "Usual: as much as the load.",
    ),
    ReadingSpec(
        "transmit_droop", "V", "supply droops under a transmission by", Limit(max=0.3), "lower", 0.03, "",
        about="How far the processor's supply falls while the transceiver sends. Usual: below 0.1 V; the limit "
              "keeps it clear of brown-out (common practice, no source).",
    ),
    ReadingSpec(
        "led_droop", "V", "supply droops under the LED by", Limit(max=0.3), "lower", 0.03, "",
        about="How far the supply falls when the LED is lit; more than a little means a weak source or a short. "
              "Usual: below 0.05 V (common practice, no source).",
    ),
    ReadingSpec(
        "servo_droop", "V", "supply droops under a servo step by", Limit(max=0.4), "lower", 0.05, "",
        about="How far the processor's supply falls when the servo starts; it is what most often resets a board."
              " Usual: below 0.2 V (common practice, no source).",
    ),
    *(
        ReadingSpec(f"{load}_{what}", unit, f"{words}: {label}", None, "same", 50, "%", about=about)
        for load, words in (("transmit", "transmission"), ("led", "LED"), ("servo", "servo step"))
        for what, unit, label, about in (
            ("lowest", "V", "lowest supply", "Lowest point of the supply under that load, by the fitted waveform. "
             "Usual: 0.1 to 0.3 V below rest (common practice, no source)."),
            ("tau", "us", "time constant", "Time constant with which the supply falls: the source's resistance times "
             "the capacity."),
            ("source", "ohm", "source's resistance", "Resistance of the source, by the depth of the fall. Usual: below "
             "1 Ω (common practice, no source)."),
            ("capacity", "uF", "effective capacity", "Bulk capacity, by the slope of the fall. Usual: 10 to 100 µF "
             "(common practice, no source)."),
            ("esr", "ohm", "capacitor's series resistance", "Series resistance of the bulk capacitor, by the first "
             "step of the fall. Usual: below 0.5 Ω (common practice, no source)."),
        )
    ),
    ReadingSpec(
        "lowest_vcc", "V", "lowest supply seen", None, "higher", 0.05, "",
        about="Lowest value of the processor's supply in this stage; all margins count from it. Usual: 0.1 to "
              "0.3 V below rest (common practice, no source).",
    ),
    ReadingSpec(
        "speed_margin", "V", "supply above what the clock needs", Limit(min=0.0), "higher", 0.05, "",
        about="How far the lowest supply lay above the least for this clock: 3.78 V at 16 MHz, 2.4 V at 8 MHz; "
              "below it the chip may err. Usual: 0.5 V and more on 5 V boards (ATmega328P data sheet, speed "
              "grades).",
    ),
    ReadingSpec(
        "brown_out_margin", "V", "supply margin above the brown-out level", Limit(min=0.0), "higher", 0.05, "",
        about="How far the lowest supply lay above the level at which the chip resets. Usual: 0.3 V and more "
              "(common practice, no source).",
    ),
)  # fmt: skip
