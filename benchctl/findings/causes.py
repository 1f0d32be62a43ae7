"""The causes as a table: what each predicts, how often, what the reader should know, what would tell it apart.

Probabilities are judgement unless marked: "computed" ones follow from the data sheet's currents and the circuit (see
`remedy`), the others say how often, of a hundred boards with this fault, the fact would be seen. They were written
down from the physics before the benches of the campaign were drawn, and rounded to what a person can defend:
SURE, OFTEN, HALF, SOME. A fact that a cause does not list is as rare under it as on a healthy board.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

SURE, OFTEN, HALF, SOME, SELDOM = 0.985, 0.85, 0.5, 0.25, 0.08
#: a fact seen on a healthy board, or against all that the cause predicts
CHANCE = 1e-4
#: facts that are nothing out of the way by themselves: heard or not depends on the distance; a healthy board at the
#: edge of its tolerance does fail a limit now and then
CHANCES: Mapping[str, float] = {"heard": 0.5, "unheard": 0.5, "no_reserve": 0.1, "limit": 0.01}


@dataclass(frozen=True, slots=True, eq=False)
class Cause:
    """One thing that can be wrong.

    where: "board", "hand", "craft" or "pair". share: how common among faults, relative (judgement). predicts: fact to
    probability; facts of the pair may be among a board's. explanation: for the report, two or three sentences.
    remedy: what to change; `remedy.py` puts numbers to it where it can. next_test: what would tell it from its
    neighbours; hunt: the load hunt stage is that test.
    """

    name: str
    title: str
    where: str
    share: float
    predicts: Mapping[str, float]
    explanation: str
    remedy: str
    next_test: str
    hunt: bool = False


#: what a starved transceiver looks like to the tests of its lines: it may seem to lack any of them
_STARVED = {"comes_and_goes": SOME, "line_ce": SOME, "line_sck": SOME, "line_absent": SOME, "line_miso": SELDOM,
            "line_spi": SELDOM, "line_mosi": SELDOM, "line_miso_low": SELDOM, "line_irq": SELDOM,
            "line_swapped": SELDOM}  # fmt: skip

CAUSES: tuple[Cause, ...] = (
    Cause(
        "capacitor", "bulk capacitor at the transceiver missing or dried out", "board", 3.0,
        {
            # computed: I·t/C of a burst against 0.3 V
            "burst_dip": SURE, "sending_lost": 0.7, "burst_lost": 0.6, "trigger_transmit": 0.6, "forgets": SOME,
            "untriggered": SOME, "listen_lost": 0.2, "dead": SOME, "lossy": 0.8, "one_way": HALF,
            "weak_better": HALF, "sending_low": SOME,
            **_STARVED, "line_ce": 0.7,
        },
        "A burst of transmission draws more than the regulator gives at once. What is missing must come from the "
        "capacitor at the transceiver's pins; one that is too small, missing or dried out lets the rail dip and the "
        "transceiver forgets its settings, while the average current is no trouble.",
        "fit a larger capacitor directly at the transceiver's supply pins",
        "hold a charged 100 µF capacitor to the transceiver's supply pins and repeat the supply stage", hunt=True,
    ),
    Cause(
        "regulator", "3.3 V regulator over its limit", "board", 2.0,
        {
            "sending_lost": 0.95, "average_lost": HALF, "rest_dead": 0.5, "listen_lost": 0.97, "listen_drop": HALF,
            "listen_collapse": 0.8,
            "sending_low": OFTEN, "burst_lost": SOME, "burst_dip": 0.6, "forgets": SOME, "trigger_transmit": SOME,
            "sensor_absent": 0.7, "self_test": SELDOM, "dead": 0.7, "lossy": 0.4,
            "one_way": 0.6, "rest_low": SOME, "refuses": HALF, "weak_better": SELDOM, "burst_resistive": SELDOM,
            "untriggered": SELDOM, **_STARVED, "line_sck": HALF,
        },
        "All that hangs on the 3.3 V rail draws more on average than its regulator can give. A capacitor only delays "
        "the fall: the average has to come down or the regulator has to be a stronger one.",
        "use a stronger 3.3 V regulator, or move a load off its rail",
        "measure the 3.3 V rail while the transceiver listens, with the other loads unplugged one by one", hunt=True,
    ),
    Cause(
        "rail_short", "supply rail shorted to ground", "board", 1.5, {"short": SURE},
        "Unpowered, the rail has next to no resistance to ground. Given power, the source, the board or the battery "
        "burns.",
        "do not power the board; find the short on its rail",
        "take parts off the rail one by one, the ohms measured after each",
    ),
    Cause(
        "rail_high", "3.3 V rail too high: regulator missing, bridged or of another value", "board", 1.5,
        {"rest_high": SURE, "dead": SOME, "refuses": SOME, "lossy": SOME},
        "The transceiver stands up to 3.6 V, and 3.9 V for a moment. On 5 V it may work for a while, warm, and dies.",
        "take the supply off at once; fit a 3.3 V regulator between the processor's supply and the transceiver",
        "measure the regulator's output with the transceiver unplugged",
    ),
    Cause(
        "joint_radio", "bad joint in the transceiver's supply line", "board", 2.0,
        {
            # computed: 13 mA of listening and 11.3 mA of sending through the joint's ohms
            "burst_resistive": OFTEN, "sending_lost": 0.4, "listen_drop": OFTEN, "listen_collapse": HALF,
            "rest_low": HALF, "burst_dip": 0.7, "listen_lost": HALF, "trigger_transmit": 0.4, "untriggered": SOME,
            "sending_low": OFTEN, "burst_lost": SOME, "forgets": SOME, "dead": HALF, "lossy": SOME, "one_way": HALF,
            "refuses": SELDOM, "self_test": SELDOM, "sensor_absent": SELDOM, "weak_better": SOME, **_STARVED,
            "line_ce": 0.4,
        },
        "The rail falls in proportion to the current and stays down as long as the current flows: there are ohms "
        "between the regulator and the transceiver's pins. A capacitor softens the edge but does not bring the static "
        "part back.",
        "resolder the joint, or replace the wire, between regulator and transceiver",
        "measure from the regulator's output to the transceiver's VCC pin while it listens: a good joint shows 0 mV",
        hunt=True,
    ),
    Cause(
        "source", "supply source or cable too weak", "board", 2.5,
        {
            "main_soft": 0.9, "starved_reset": 0.15, "sending_lost": SELDOM, "main_low": HALF, "brown_out_margin": HALF,
            "brown_out_reset": SOME, "trigger_transmit": SOME, "sending_low": SOME, "burst_dip": 0.15,
            "forgets": 0.15, "main_joint": 0.02,
            "burst_lost": SELDOM, "listen_lost": SELDOM, "listen_drop": SELDOM, "dead": SELDOM, "lossy": SELDOM,
            "servo_sag": SOME, "moved_reset": SELDOM, "damaged": SELDOM, "sensor_absent": 0.15, "self_test": SELDOM,
            "trigger_led": SOME,
            "untriggered": SELDOM, "one_way": SELDOM, "silent": SELDOM,
        },
        "The processor's own rail gives way whenever anything draws current: a thin or long USB cable, a port or hub "
        "with a current limit, tired cells. It shows with every load, small ones too.",
        "use a shorter or thicker cable, another port, or a stronger supply",
        "repeat the supply stage on another source with a short, thick cable", hunt=True,
    ),
    Cause(
        "joint_main", "bad joint in the processor's supply line", "board", 1.5,
        {
            "main_joint": SURE, "sending_lost": SELDOM, "main_soft": SURE, "main_low": 0.75,
            "brown_out_margin": 0.33, "brown_out_reset": 0.35,
            "sending_low": SOME, "listen_drop": SELDOM, "burst_dip": SELDOM, "forgets": SELDOM, "dead": SELDOM,
            "moved_reset": SELDOM, "lossy": SELDOM, "sensor_absent": SELDOM, "servo_sag": SELDOM,
            "listen_lost": SELDOM, "burst_lost": SELDOM,
            "trigger_led": SELDOM, "trigger_transmit": SOME, "silent": SOME,
        },
        "Tens of ohms lie between the source and the processor's pins: more than any cable has. It is a cold joint, a "
        "cracked track or a corroded plug on the board.",
        "resolder supply input, switch and plug of the board",
        "measure from the supply's input to the processor's VCC pin with the LED on: a good joint shows 0 mV",
        hunt=True,
    ),
    Cause(
        "servo_on_logic", "servo supplied from the logic rail", "craft", 2.0,
        {
            "servo_sag": SURE, "moved_reset": HALF, "starved_reset": 0.15, "brown_out_margin": HALF,
            "brown_out_reset": HALF,
            "main_low": SELDOM, "forgets": SOME, "burst_dip": SELDOM, "no_beeps": SELDOM, "damaged": SELDOM,
            "lossy": SELDOM,
        },
        "Each start of the servo draws half an ampere and more. On the processor's rail that takes the processor down "
        "with it, although the source is strong enough for everything else.",
        "supply the servo from the battery through its own regulator; join only the grounds",
        "unplug the servo and repeat the load hunt: trouble that goes away was the servo's", hunt=True,
    ),
    Cause(
        "brown_out", "brown-out detector off or set too low", "board", 1.0,
        {"brown_out_level": SURE, "starved_reset": SOME, "silent": SELDOM},
        "Without a detector above the chip's safe range a sagging supply does not reset the processor but lets it go "
        "astray: memory and outputs can end up anyhow.",
        "set the brown-out detector to 2.7 V by the fuses",
        "read the fuses with a programmer",
    ),
    Cause(
        "program", "program fault: the watchdog restarts the processor", "board", 1.5,
        {"program_reset": SURE, "silent": SELDOM, "damaged": HALF, "lossy": SOME, "dead": SOME, "no_beeps": SELDOM,
         "never_pressed": SELDOM,
         "forgets": SELDOM, "led_dark": SELDOM},
        "The main loop stopped coming round and the watchdog ended that, with the supply steady before it. This is "
        "the program, not the board.",
        "look in the program for waits without an end; flash the shipped image and see whether it happens again",
        "flash the shipped probe image and repeat the soak",
    ),
    Cause(
        "forgets", "transceiver loses its settings while the processor runs on", "board", 1.0,
        {"forgets": 0.9, "sending_lost": SOME, "untriggered": OFTEN, "lossy": 0.6, "dead": SELDOM, "one_way": 0.6,
         "burst_lost": SOME, "listen_lost": 0.15, "listen_collapse": SELDOM, "trigger_transmit": SELDOM,
         "burst_dip": SOME,
         "sensor_absent": 0.15, "self_test": HALF, "weak_better": SOME, **dict.fromkeys(_STARVED, SELDOM),
         "comes_and_goes": 0.4, "line_miso": HALF, "refuses": SELDOM, "sending_low": SELDOM},
        "The transceiver's rail dips below 1.9 V at times that have nothing to do with sending: something else on that "
        "rail draws in bursts, or a contact is loose.",
        "take other loads off the transceiver's rail, give them their own capacitor, check its plug",
        "run press-parts: part after part is pressed, and a loose contact gives itself away; else unplug the other "
        "loads of its rail one by one and repeat the soak", hunt=True,
    ),
    Cause(
        "loose_joint", "a joint makes contact now and then", "board", 1.5,
        {"joint_loose": SURE, "forgets": SOME, "untriggered": SOME, "comes_and_goes": SOME, "brown_out_reset": SELDOM,
         "lossy": SELDOM, "loose": SELDOM, "noisy": SELDOM, "sensor_absent": SELDOM},
        "Pressed, the part's joint opens: what hangs on it fails for a moment, and works again when nobody touches it. "
        "Vibration and warmth do the same later, in use.",
        "resolder the joint at the part that was pressed", "press part after part again: nothing must fail",
    ),
    Cause(
        "no_transceiver", "no transceiver answers: not fitted, or its CSN or supply line open", "board", 2.0,
        {"line_absent": 0.97, "line_spi": SELDOM, "line_mosi": SELDOM, "refuses": 0.97},
        "Nothing drives MISO when the transceiver is selected. An empty socket, an open CSN line and a module without "
        "supply all look the same from the processor.",
        "plug the module in fully; check CSN and its supply for a break",
        "measure the transceiver's VCC pin, then CSN at the module while it is being selected",
    ),
    Cause(
        "line_miso", "MISO line open or shorted", "board", 1.0,
        {"line_miso": 0.95, "line_miso_low": HALF, "line_absent": HALF, "line_sck": SELDOM, "refuses": 0.97},
        "The transceiver obeys, but what it says does not reach the processor.",
        "check the MISO joint at the module and at PB4", "look for continuity from the module's MISO pin to PB4",
    ),
    Cause(
        "line_mosi", "MOSI line open or shorted", "board", 1.0,
        {"line_mosi": 0.9, "line_spi": SELDOM, "refuses": 0.97},
        "The transceiver answers with a good STATUS but no command reaches it.",
        "check the MOSI joint at the module and at PB3", "look for continuity from the module's MOSI pin to PB3",
    ),
    Cause(
        "line_sck", "SCK line open or shorted", "board", 1.0,
        {"line_sck": 0.9, "line_spi": SELDOM, "line_absent": SELDOM, "refuses": 0.97},
        "The transceiver is selected and drives MISO but nothing is shifted: its clock does not reach it.",
        "check the SCK joint at the module and at PB5", "look for continuity from the module's SCK pin to PB5",
    ),
    Cause(
        "line_csn", "CSN line shorted to ground", "board", 1.0,
        {"line_csn_low": 0.95, "line_spi": SELDOM, "line_miso": SELDOM, "line_miso_low": SELDOM, "line_absent": SELDOM,
         "refuses": 0.97},
        "The transceiver is selected all the time and takes everything for one endless command.",
        "look for a bridge at the module's CSN pin", "measure CSN at the module: it must be high at rest",
    ),
    Cause(
        "line_ce", "CE line open or shorted", "board", 1.0,
        {"line_ce": 0.97, "dead": OFTEN, "one_way": SOME},
        "Registers can be written and read, but the transceiver never sends: CE does not reach it.",
        "check the CE joint at the module and at the processor",
        "measure CE at the module while it is being driven high",
    ),
    Cause(
        "line_irq", "IRQ line open or shorted", "board", 1.0,
        {"line_irq": 0.97, "dead": 0.7, "one_way": 0.6, "lossy": SOME},
        "The transceiver reports in its STATUS register what its interrupt pin does not show the processor.",
        "check the IRQ joint at the module and at the processor", "measure IRQ at the module: it must be high at rest",
    ),
    Cause(
        "line_bridged", "two neighbouring transceiver lines bridged", "board", 1.0,
        {"line_bridged": 0.95, "line_spi": SELDOM, "refuses": HALF, "dead": HALF, "one_way": SOME, "lossy": SELDOM,
         "unheard": SELDOM},
        "Solder joins two pins of the transceiver's header: what is meant for the one reaches the other too.",
        "look under a lens for solder between neighbouring pins of the transceiver's header",
        "measure from each pin of the header to its neighbours with the module out: no two may show 0 Ω",
    ),
    Cause(
        "line_data_swapped", "two lines of the transceiver's bus exchanged", "board", 1.0,
        {"line_exchanged": 0.95, "line_absent": SELDOM, "refuses": 0.97},
        "Two lines of the bus carry each what the other should: nothing that is said arrives, and the answer comes "
        "back where nobody listens.",
        "exchange the wires at MISO (pin 7) and MOSI (pin 6) of the module's header",
        "look for continuity from the module's pin 7 (MISO) to PB4, and from its pin 6 (MOSI) to PB3",
    ),
    Cause(
        "line_swapped", "two transceiver lines swapped", "board", 1.0,
        {"line_swapped": 0.95, "line_absent": SELDOM, "line_spi": SELDOM, "refuses": 0.97},
        "With two pins exchanged in the settings the transceiver answers: the wires are swapped, or the pin map is.",
        "swap the two wires, or exchange the two pins in the board's settings",
        "exchange the two pins in the settings and repeat the transceiver stage",
    ),
    Cause(
        "wrong_settings", "radio settings differ between the two boards", "pair", 2.0,
        {"settings_differ": SURE, "dead": OFTEN, "lossy": SELDOM},
        "Address, channel, data rate and CRC length must be the same on both sides; one that differs and nothing at "
        "all comes through, however strong the signal.",
        "write the same radio settings to both boards", "repeat the radio link with the settings made alike",
    ),
    Cause(
        "firmware_differs", "different firmware on the two boards", "pair", 1.5, {"firmware": SURE},
        "The boards run different images, so that nothing measured between them says much.",
        "flash both boards with the same image", "flash both and repeat the run",
    ),
    Cause(
        "no_ack_bit", "one of the two transceivers is a look-alike", "pair", 1.0, {"acks_missing": SURE},
        "Packets arrive and are never acknowledged, both ways: one chip sends and reads the bit that asks for no "
        "acknowledgement the other way round. Two of a kind work together, a mixed pair does not.",
        "use two transceivers of the same kind, both genuine or both look-alikes",
        "repeat the radio link with a module known to be genuine, on one board and the other: where it cures the link, "
        "there the look-alike sat",
    ),
    Cause(
        "second_craft", "another craft answers on the pair's address", "pair", 1.5,
        {"others_answer": SURE, "lossy": SELDOM, "one_way": SELDOM, "acks_missing": SELDOM, "weak_better": SELDOM},
        "Somebody acknowledges what the pair sends while the board it is meant for is silent: a second craft, or a "
        "second pair, with the same address and channel. It follows the same stick, and its answers collide with "
        "those of the pair's own.",
        "give every pair an address of its own, and write it to both boards; until then keep the other one off",
        "switch every other craft and pair off and repeat the radio link: nobody may answer then",
    ),
    Cause(
        "interference", "interference on the channel", "pair", 2.0,
        {"busy": 0.7, "lossy": 0.9, "dead": SELDOM, "weak_better": SELDOM, "one_way": 0.2, "no_reserve": SOME},
        "Others are on the air on the same frequencies. Packets are lost as often as the others send.",
        "use a quieter channel", "repeat the radio link on the quietest channel of the scan",
    ),
    Cause(
        "antenna", "antenna or transmit power fault", "pair", 2.0,
        {"dead": 0.65, "lossy": 0.2, "one_way": SOME, "unheard": 0.97, "no_reserve": 0.9},
        "The boards are set alike and the air is quiet, but the signal is too weak: a cracked antenna, a missing "
        "matching part, a module with little power.",
        "exchange the modules one at a time with known good ones",
        "repeat the radio link with the boards close together, then with one module exchanged",
    ),
    Cause(
        "overload", "receivers overloaded: too close at full power", "pair", 1.0,
        {"dead": 0.7, "lossy": SOME, "heard": SURE, "weak_better": 0.93, "one_way": SOME},
        "The signal is strong, packets are lost, and at less power they come through: the receivers are driven past "
        "their limit.",
        "move the boards apart, or use less transmit power on the bench",
        "repeat the radio link two metres apart",
    ),
    Cause(
        "radio_crystal", "a transceiver's crystal is off frequency", "pair", 1.0,
        {"dead": 0.8, "lossy": HALF, "heard": OFTEN, "unheard": SOME, "one_way": SELDOM, "no_reserve": SOME},
        "Each side hears the other's signal strongly and takes no packet of it, or few, at any power, with settings "
        "alike and a quiet channel: the carriers lie too far apart (the data sheet allows 60 ppm for each crystal).",
        "exchange the modules one at a time with known good ones: the one whose exchange cures it is off frequency",
        "repeat the radio link at 250 kbps and at 2 Mbps: a crystal that is off fails first where the band is narrow",
    ),
    Cause(
        "clone", "transceiver is an older or a look-alike chip", "board", 1.5,
        {"variant": SURE, "refuses": HALF, "dead": SOME, "lossy": SELDOM},
        "The chip does not behave as an nRF24L01+: features that need activation, or no 250 kbps.",
        "use a genuine nRF24L01+ on both sides, or keep to 1 Mbps and to what both chips have",
        "exchange the module and repeat the transceiver stage",
    ),
    Cause(
        "oscillator", "ceramic oscillator out of tolerance", "board", 1.0, {"oscillator": SURE, "damaged": SELDOM},
        "The processor's clock is off by more than ceramic resonators are specified for; pulses and serial timing are "
        "off with it.",
        "replace the resonator, best by a crystal", "repeat identity with the board warm and cold",
    ),
    Cause(
        "switch_bounce", "switch bounces for long", "hand", 1.0, {"bounce": SURE},
        "The contact opens and closes again for longer than the program waits, so that one press counts as several.",
        "replace the switch", "repeat the controls stage with more presses",
    ),
    Cause(
        "switch_floating", "switch line without pull-up", "hand", 1.0, {"unheld": SURE, "stray": SELDOM},
        "Nothing on the board holds the line when the switch is open; it follows the hum of the room.",
        "fit a pull-up of 10 kΩ from the line to the supply, or switch the chip's own on in the program",
        "measure the line with a meter, the switch open",
    ),
    Cause(
        "switch_pull", "switch's pull of a wrong value", "hand", 1.0, {"pull_wrong": SURE},
        "The resistor that holds the switch's line is not the one that belongs there: too small, and each press draws "
        "tens of milliamperes through switch and supply; too large, and the line picks up what the room and the "
        "neighbours send.",
        "exchange the pull by 10 kΩ",
        "measure the resistor with the power off: 10 kΩ, brown black orange",
    ),
    Cause(
        "switch_stuck", "switch stuck or not connected", "hand", 1.0, {"never_pressed": SURE, "unheld": SELDOM},
        "The line never changed while the switch was pressed: the contact does not open or close, or it is wired "
        "elsewhere.",
        "replace the switch; check its joints and the pin map", "measure the contact with a meter while pressing",
    ),
    Cause(
        "joystick_swapped", "joystick axes exchanged", "hand", 1.0, {"exchanged": SURE},
        "Pushing one way moves the other axis.", "exchange the two wires, or the two pins in the settings",
        "push in one direction and watch the readings",
    ),
    Cause(
        "joystick_unpowered", "joystick without supply", "hand", 1.0,
        {"unpowered": SURE, "stick_dead": SURE, "exchanged": SELDOM},
        "Both axes read about 0 wherever the stick is: the supply end of its tracks is open.",
        "connect the joystick's supply lead", "measure the joystick's supply pin",
    ),
    Cause(
        "joystick_worn", "joystick track worn", "hand", 1.0,
        {"gap": SURE, "stick_dead": SOME, "noisy": SELDOM},
        "A stretch of values is never reached on the way from end to end: the wiper jumps over a worn part.",
        "replace the joystick, or clean its track", "move the stick slowly over the stretch and watch the reading jump",
    ),
    Cause(
        "joystick_open", "joystick wiper not connected", "hand", 1.0,
        {"loose": SURE, "noisy": SURE, "stick_dead": 0.9, "gap": SOME, "exchanged": SELDOM, "pinned_low": SELDOM,
         "pinned_high": SELDOM},
        "The reading wanders by itself: nothing drives the converter's input.",
        "resolder the wiper's lead", "measure the wiper's pin with a meter while moving the stick",
    ),
    Cause(
        "joystick_noisy", "joystick noisy: dirty track, bad joint or long unshielded lead", "hand", 1.0,
        {"noisy": SURE, "loose": SOME},
        "Let go, the reading is unsteady by more counts than a sound track gives; it follows the stick all the same.",
        "clean or replace the joystick's track, resolder its three leads, fit 100 nF from wiper to ground",
        "hold the stick still and press on each of its joints: the noise that jumps is there",
    ),
    Cause(
        "joystick_ground", "joystick's ground lead open", "hand", 1.0,
        {"pinned_high": SURE, "stick_dead": SURE, "exchanged": SELDOM},
        "The axis stays at the top of the converter wherever the stick is: the ground end of its track is open.",
        "resolder the ground lead of the axis that stays at the top",
        "measure from the track's ground end to the board's ground: a good one shows 0 Ω",
    ),
    Cause(
        "joystick_supply_end", "one axis of the joystick without supply", "hand", 1.0,
        {"pinned_low": SURE, "stick_dead": SURE, "exchanged": SELDOM},
        "One axis stays at the bottom of the converter wherever the stick is, the other works: the supply end of its "
        "track is open, or its wiper is shorted to ground.",
        "resolder the supply end of the axis that stays at the bottom",
        "measure the volts at both ends of that track",
    ),
    Cause(
        "led", "LED the wrong way round, open, or at another pin", "board", 1.5, {"led_dark": SURE},
        "The pin switches, but nobody saw the LED blink.",
        "turn the LED round, resolder it and its resistor, or correct its pin in the pair file",
        "measure across the LED while the pin is driven: about 2 V across a good one, the supply across an open one",
    ),
    Cause(
        "output_elsewhere", "an output is wired or plugged otherwise than declared", "craft", 1.5,
        {"moves_otherwise": SURE, "nothing_moves": SURE},
        "As an output was tried something else moved than the pair file says, or nothing: the servo hangs at another "
        "pin or header, or the pair file is wrong.",
        "plug it where the pair file has it, or correct the pair file",
        "run the outputs stage again with the servo at the next header",
    ),
    Cause(
        "servo_ground", "servo without supply, or its supply's ground not joined to the board's", "craft", 1.5,
        {"nothing_moves": SURE, "servo_unfed": SURE},
        "The servo's plus stands at nothing against the board's ground: its supply is off, or the two grounds are not "
        "joined, so that the pulses have no return path.",
        "join the ground of the servo's supply to the board's ground, and switch that supply on",
        "measure from the board's ground to the ground of the servo's supply: a good one shows 0 Ω",
    ),
    Cause(
        "servo_supply", "servo twitches: its supply is not steady", "craft", 1.0, {"unrest": OFTEN},
        "The pulses are steady while the horn is not: the servo's own supply ripples, or its potentiometer is worn.",
        "fit 470 µF at the servo's header, shorten its leads", "repeat with another servo",
    ),
    Cause(
        "esc_untaught", "motor controller's end points not taught", "craft", 1.0,
        {"no_beeps": 0.7, "low_idle_arms": HALF, "turns_at_idle": 0.4},
        "It does not take the idle pulse for idle, so it never arms: its idle is a shorter pulse, or a longer one with "
        "a dead zone below.",
        "teach the motor controller its end points: benchctl run teach-motors keeps the order",
        "repeat ESC arming after teaching",
    ),
    Cause(
        "esc_sound", "motor controller gives other beeps than expected", "craft", 2.0,
        {"more_beeps": SURE, "few_beeps": SELDOM},
        "It arms and beeps, only not as often as the procedure or the board's record has it: many controllers beep "
        "once for every cell of the battery, or play something of their own.",
        "compare with the controller's manual, and set the number that it gives",
        "measure the battery: many controllers beep once for every cell of some 3.7 V",
    ),
    Cause(
        "signal_ground", "no signal ground at the motor controller", "craft", 1.0,
        {"no_beeps": HALF, "low_idle_arms": SOME, "few_beeps": SOME, "more_beeps": 0.02, "stutters": OFTEN,
         "groundless": SURE},
        "Pulses leave the board but arrive only now and then: with no ground beside the signal wire they have no "
        "return path.",
        "join the ground of the motor controller's signal lead to the board's",
        "join the two grounds by a wire of their own, and repeat ESC arming: it then arms as recorded",
    ),
    Cause(
        "fed_back", "battery feeds back into USB", "craft", 0.5, {"fed_back": SURE},
        "A motor controller's built-in regulator and USB are on one rail. The stronger pushes current backwards into "
        "the other: into the computer's port, or into the regulator.",
        "take the red wire out of the controller's signal lead, or a diode into one of the two feeds",
        "with the battery alone, measure at the USB connector's supply pin: apart, it shows 0 V",
    ),
    Cause(
        "imu_absent", "inertial sensor does not answer", "craft", 1.5, {"sensor_absent": SURE},
        "Nobody answers on the bus at either address: no sensor, no supply, or SDA or SCL open.",
        "check the sensor's supply, SDA and SCL", "measure the sensor's supply and both lines at rest (high)",
    ),
    Cause(
        "imu_address", "inertial sensor at its second address", "craft", 1.0, {"sensor_address": SURE},
        "AD0 is not where the drawing has it.", "tie AD0 low, or give the address in the procedure",
        "measure AD0",
    ),
    Cause(
        "imu_self_test", "inertial sensor fails its self-test", "craft", 1.0, {"self_test": SURE},
        "Its answer to its own stimulus is off from the factory's by more than the sheet allows: it has had a blow, "
        "or it is a copy.",
        "replace the sensor", "repeat with the craft quite still",
    ),
    Cause(
        "serial_drops", "serial cable or port drops bytes", "board", 1.5,
        {"damaged": 0.9, "silent": SOME, "lossy": HALF, "one_way": SOME, "dead": SELDOM, "unpowered": CHANCE,
         "no_beeps": SELDOM, "gap": SELDOM},
        "Frames arrive damaged while the board runs on: bytes are lost between it and the computer.",
        "use another cable or port, without a hub", "repeat the run with another USB cable",
    ),
)  # fmt: skip

BY_NAME: Mapping[str, Cause] = {c.name: c for c in CAUSES}
