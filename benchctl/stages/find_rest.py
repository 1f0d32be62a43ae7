"""LED, inertial sensor, pulse outputs, supply: what a look cannot tell is asked for, and tried where it is safe."""

from __future__ import annotations

from benchctl import events as ev
from benchctl.analysis.pin_nature import DRIVABLE, Nature
from benchctl.analysis.supply_rules import vcc_from_bandgap
from benchctl.pairfile.pins import BY_PORT, NONE, PULSES, SS, Can
from benchctl.stages.wiring_search import Search
from benchctl.wire import msg
from benchctl.wire.catalogue import NO_PIN, AdcSource, Function

#: with the band-gap 10 % off (ATmega328P data sheet, table 32-7) 3.3 V reads 3.6 V at most, 5 V 4.5 V at least
_BETWEEN_SUPPLIES_V, _BANDGAP_V = 4.1, 1.1
_SLOW, _SAMPLES = 7, 64
_BLINK_S = 0.5
#: of a signal input, which floats or has a resistor to ground, one at least finds it low
_PLAIN_LOOKS = 5
#: natures of a line with a pull-up, and the least share of the supply that 3.3 V are of 5.5 V
_PULLED, _LEAST_HIGH = (Nature.HIGH, Nature.BETWEEN, Nature.TOWARDS_SUPPLY), 0.55
#: what answers on the two-wire bus and is an inertial sensor
_SENSOR = (0x68, 0x69)
_FAINT = (
    "Shade the {role} unit's LED with your hand: it may glow faintly. Count how often it does, and type the number; "
    "0 when it stays dark."
)
_BRIGHT = "Count the blinks of the {role} unit's LED, and type the number; 0 when it stays dark."


# ---------------------------------------------------------------------- sensor


def find_sensor(search: Search) -> None:
    """By the bus, where both of its lines rest high by pull-ups to one supply or the other; else there is no bus."""
    if search.known.sensor.fitted is not None:
        return
    if not all(_rests_high(search, p.port) for p in BY_PORT.values() if Can.TWI in p.can):
        search.keep("sensor.fitted", False, "looked")
        return
    there = [a for a in search.board.ask(msg.TwiScan(slow=1)).data if a in _SENSOR]
    search.sensor = bool(there)
    search.keep("sensor.fitted", bool(there), "looked")
    if len(there) == 1:
        search.keep("sensor.address", there[0], "looked")
    elif there:
        search.wonder("sensor.address")


def _rests_high(search: Search, port: str) -> bool:
    """A pull-up to the processor's supply, or to a sensor's 3.3 V."""
    return search.natures.get(port) in _PULLED and (search.look(port, pulled=False).share or 0.0) > _LEAST_HIGH


# ---------------------------------------------------------------------- LED


def find_led(search: Search) -> None:
    """By the pull-up's faint glow, which drives nothing; towards the supply by a counted blink."""
    if search.stated("led") or search.led_looked_for:
        return
    search.led_looked_for = True
    glowing = [p for p in search.free(Nature.GLOWS, Nature.LOW) if Can.DIGITAL in BY_PORT[p].can]
    for port in sorted(glowing, key=lambda p: search.natures[p] is not Nature.GLOWS):
        if search.counted_blinks(_FAINT.format(role=search.role), "faint", lambda n, p=port: _glow(search, p, n)):  # type: ignore[misc]
            _keep_led(search, port, "high", "person")
            return
    for port in search.free(Nature.TOWARDS_SUPPLY):
        if _blinks(search, port, low=True):
            _keep_led(search, port, "low", "person")
            return
    _ask_for_led(search)


def _ask_for_led(search: Search) -> None:
    """The owner says where it is; a counted blink confirms it."""
    possible = {*search.free(*DRIVABLE, Nature.HIGH, Nature.TOWARDS_SUPPLY, Nature.LOW, Nature.GLOWS)}

    def fits(port: str) -> str:
        return "" if port in possible else f"{BY_PORT[port].sketch} answers as no LED would"

    port = search.ask_pin("led", f"Which pin is the {search.role} unit's LED on?", fits)
    if port == NONE:
        search.keep("pins.led", NONE, "said")
    elif port:
        low = search.natures[port] in (Nature.HIGH, Nature.TOWARDS_SUPPLY)
        if _blinks(search, port, low=low):
            _keep_led(search, port, "low" if low else "high", "person")
        else:
            search.wonder("pins.led", [port])
    else:
        search.wonder("pins.led")


def _keep_led(search: Search, port: str, lights: str, how: str) -> None:
    search.keep("pins.led", port, how)
    search.keep("led.lights", lights, how)
    if port == SS:
        search.board.write_setting("led_active_low", int(lights == "low"))
        search.board.write_pin(Function.LED, BY_PORT[port].code)


def _glow(search: Search, port: str, times: int) -> float:
    """Nothing is left to come when it returns."""
    for _ in range(times):
        search.look(port, pulled=True)
        search.ctx.wait(_BLINK_S)
        search.look(port, pulled=False)
        search.ctx.wait(_BLINK_S)
    return 0.0


def _blinks(search: Search, port: str, *, low: bool) -> bool:
    board = search.board
    board.write_setting("led_active_low", int(low))
    board.write_pin(Function.LED, BY_PORT[port].code)
    try:
        return search.counted_blinks(_BRIGHT.format(role=search.role), "", lambda n: _led(search, n))
    finally:
        board.write_pin(Function.LED, NO_PIN)
        search.look(port, pulled=False)


def _led(search: Search, times: int) -> float:
    """The board blinks by itself; how long that takes it, s."""
    ms = round(1000 * _BLINK_S)
    search.board.ask(msg.Led(blinks=times, on_ms=ms, off_ms=ms))
    return 2.0 * _BLINK_S * times


# ---------------------------------------------------------------------- pulse outputs


def find_outputs(search: Search) -> None:
    """Asked for: nothing electrical tells a servo's input from a motor controller's, and a wrong guess could hurt.

    None is driven here; the first pulse of each is confirmed by a stage of its own.
    """
    if any(search.stated(name) for name in PULSES):
        return
    there = search.count(
        "How many servos and motor controllers are plugged into the craft unit? Type 0 to 6.", "outputs", len(PULSES)
    )
    if there < 0:
        search.wonder("pins.pulse1")
    for n in range(max(0, there)):
        _find_output(search, PULSES[n], n + 1, there)


def _find_output(search: Search, name: str, number: int, count: int) -> None:
    def fits(port: str) -> str:
        held = all(search.look(port, pulled=False).level for _ in range(_PLAIN_LOOKS))
        return f"{BY_PORT[port].sketch} is held high by something else" if held else ""

    text = f"Servo or motor controller {number} of {count}: which pin is its signal wire on?"
    port = search.ask_pin(name, text, fits, f"output {number}")
    if port in ("", NONE):
        search.wonder(f"pins.{name}")
        return
    search.keep(f"pins.{name}", port, "said")
    where = BY_PORT[port].sketch
    said = search.choose(
        f"output.{name}.drives",
        f"What is plugged in at {where}? A motor controller called a servo could start its motor.",
        {"a servo": "servo", "a motor controller": "motor"},
        "what_drives",
        port,
        "unseen",
    )
    if said == "a motor controller":
        search.choose(
            f"output.{name}.ways", f"Does the motor controller at {where} turn its motor one way, or both?",
            {"one way": "one-way", "both ways, stopped in the middle": "reversible"}, "motor_ways", port,
        )  # fmt: skip
        _ask_width(search, name, "idle_us", f"Pulse at which the controller at {where} rests (often 1000; of a "
                   "reversible one 1500), from its manual, in µs:", port, 800, 1600)  # fmt: skip
        _ask_width(search, name, "full_us", f"Pulse of full throttle of the controller at {where} (often 2000), in "
                   "µs:", port, 1500, 2200)  # fmt: skip


def _ask_width(search: Search, name: str, key: str, text: str, port: str, least: int, most: int) -> None:
    width = search.number(text, "pulse_width", f"{key} {port}", least, most, "us")
    if width >= 0:
        search.keep(f"output.{name}.{key}", width, "said")
    else:
        search.wonder(f"output.{name}.{key}")


# ---------------------------------------------------------------------- supply and the rest


def find_supply(search: Search) -> None:
    """The processor's own supply by its band-gap; how the board is fed is asked for."""
    known = search.known.supply
    if known.logic_v is None:
        got = search.board.ask(
            msg.Adc(source=AdcSource.BAND_GAP, prescaler=_SLOW, count=_SAMPLES, gap_us=0), timeout=1.0
        )
        volts = float(vcc_from_bandgap(got.sum / got.count, _BANDGAP_V))
        search.keep("supply.logic_v", 5.0 if volts > _BETWEEN_SUPPLIES_V else 3.3, "looked")
    if known.fed_by is None:
        search.choose("supply.fed_by", f"What feeds the {search.role} unit while it is measured?",
                      {"USB": "usb", "a battery": "battery", "both": "both"}, "fed_by")  # fmt: skip
    if known.usb_apart is None:
        search.choose(
            "supply.usb_apart",
            f"Does the {search.role} unit keep USB and battery apart, so that neither can feed back into the other?",
            {"yes": True, "no": False}, "usb_apart",
        )  # fmt: skip
    if search.known.radio.kind is None:
        search.choose(
            "radio.kind",
            f"Does the {search.role} unit's transceiver module have an amplifier (a second chip, a screwed-on aerial)?",
            {"no": "plain", "yes": "amplified"}, "radio_kind",
        )  # fmt: skip


def find_sense(search: Search) -> None:
    """A voltage that stands still at an input of the converter may be the transceiver's supply: the owner knows.

    On a board of 3.3 V that supply reads as the processor's own.
    """
    if search.stated("sense_rail"):
        return
    for port in search.free(Nature.BETWEEN, Nature.HIGH):
        if Can.ANALOGUE not in BY_PORT[port].can:
            continue
        share = search.look(port, pulled=False).share or 0.0
        answer = search.ctx.ask(
            ev.PromptKind.CHOICE,
            f"{BY_PORT[port].sketch} stands at {100 * share:.0f} % of the supply. Is the transceiver's supply wired to "
            "it, to be measured?",
            "sense_rail", role=search.role, detail=port, choices=("yes", "no"), timeout_s=600.0,
        )  # fmt: skip
        if answer == "yes":
            search.keep("pins.sense_rail", port, "said")
            return
