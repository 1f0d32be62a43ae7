"""Every message, setting and enumeration of the wire, as data. The firmware's header is generated from this.

A frame body is: type (u8), number (u16), fields (little-endian). A request's number is chosen by the host and
echoed in its answer, whose type is the request's with bit 7 set; an event's number counts that board's events
from 0 since its start, so a gap is a lost event. Time stamps are the board's clock in ticks of 0.5 µs, 32 bits,
wrapping after 35.8 minutes; a board at 8 MHz counts them in steps of two.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, IntEnum

from benchctl.wire.fields import Field

PROTOCOL = 3
ANSWER_BIT = 0x80


class Direction(Enum):
    REQUEST = "request"
    ANSWER = "answer"
    EVENT = "event"


def name_of(enum: type[IntEnum], code: int) -> str:
    """The member's name in lower case with spaces; the bare number for a code of a newer firmware."""
    member = enum._value2member_map_.get(code)
    return str(code) if member is None else str(member.name).lower().replace("_", " ")


class Error(IntEnum):
    """Why a board refuses."""

    UNKNOWN = 1  # no such request
    LENGTH = 2  # fields missing or too many
    VALUE = 3  # a field is out of range
    PIN = 4  # that function has no pin on this board
    BUSY = 5  # something else is under way
    GUARDED = 6  # the guard does not allow it
    PART = 7  # the part (transceiver, sensor) does not answer
    ROLE = 8  # not for a board of this role
    UNCONFIRMED = 9  # that pulse output has not been confirmed since its wiring was told


class ResetCause(IntEnum):
    UNKNOWN = 0
    POWER_ON = 1
    EXTERNAL = 2
    BROWN_OUT = 3
    WATCHDOG = 4
    REQUESTED = 5  # the restart request
    STACK = 6  # stack met the data; restarted on purpose


class CauseFrom(IntEnum):
    """Where the reset cause was learnt."""

    FLAGS = 0  # MCUSR itself
    LOADER = 1  # handed on by the boot loader in register r2
    INFERRED = 2  # flags cleared before us; from the RAM signature
    NOTHING = 3


class Function(IntEnum):
    """What a pin can be for. A pin is coded port << 4 | bit with B=1, C=2, D=3; ADC6, ADC7 are 0x46, 0x47."""

    LED = 0
    SWITCH1 = 1
    SWITCH2 = 2
    JOY_X = 3
    JOY_Y = 4
    PULSE1 = 5
    PULSE2 = 6
    PULSE3 = 7
    PULSE4 = 8
    PULSE5 = 9
    PULSE6 = 10
    RADIO_CE = 11
    RADIO_CSN = 12
    RADIO_IRQ = 13
    SENSE_RAIL = 14  # ADC pin wired to the transceiver's supply (through 1:1 or a divider, see setting)
    CAPTURE = 15  # input capture: CAPTURE_PIN and no other
    LOOP_BACK = 16  # the other board's LED line, brought here by a jumper
    STIMULUS = 17  # gauge: pulls the switch line low, open drain
    STICK_OUT = 18  # gauge: filtered output to the joystick input
    WATCH1 = 19  # gauge: any digital line to be timed
    WATCH2 = 20
    WATCH3 = 21
    RESET_WATCH1 = 22  # gauge: reset line of the hand unit
    RESET_WATCH2 = 23  # gauge: reset line of the craft unit
    SENSE_VCC1 = 24  # gauge: ADC pin on the hand unit's supply, through a 2:1 divider
    SENSE_VCC2 = 25
    RADIO_MISO = 26  # fixed by the chip (PB4); here so that the line can be looked at


NO_PIN = 0xFF


class PulseKind(IntEnum):
    NONE = 0
    SERVO = 1
    MOTOR = 2  # a motor controller hangs there: only the guard sets its width; it turns one way
    REVERSIBLE = 3  # the same, and it turns both ways from its neutral


MOTOR_KINDS = (PulseKind.MOTOR, PulseKind.REVERSIBLE)


class LinkMode(IntEnum):
    RECEIVE = 0  # log what comes in; acknowledge if the sender wants it
    SEND = 1  # paced packets, no acknowledgement asked for
    SEND_ACK = 2  # paced packets with automatic acknowledgement and retransmission
    PING = 3  # paced pings; the other board echoes
    ECHO = 4  # answer each ping exactly `turnaround` ticks after its arrival


class Load(IntEnum):
    """Bit numbers of things that draw current on command."""

    LED = 0
    TRANSMIT = 1
    SERVO = 2
    MOTOR_IDLE = 3


class AdcSource(IntEnum):
    BAND_GAP = 0  # the band-gap measured against AVCC: supply = band-gap * 1024 / reading
    SENSE_RAIL = 1
    JOY_X = 2
    JOY_Y = 3
    SENSE_VCC1 = 4
    SENSE_VCC2 = 5


class Point(IntEnum):
    """Points of the control path that are time-stamped."""

    EDGE = 0  # the switch line changed (pin-change interrupt); value: level
    DECIDED = 1  # the debouncer has accepted it; value: level
    QUEUED = 2  # upload of the packet to the transceiver begins; value: packet number
    SENT = 3  # CE raised; value: packet number
    DONE = 4  # acknowledged, sent or given up; value: packet number
    RECEIVED = 5  # the receiver's IRQ fell; value: packet number
    APPLIED = 6  # the output pin has been written; value: level, or pulse width in ticks
    LOOP = 7  # the jumpered LED line changed; value: level
    STIMULUS = 8  # the board pulled or released its own switch line; value: level


class GuardState(IntEnum):
    IDLE = 0  # disarmed, every motor-controller pin at idle
    CHALLENGED = 1  # a nonce is out
    WIRING = 2  # what the pulse outputs can emit may be changed; all of them are silent
    ARMED = 3  # armed, throttle zero
    LIVE = 4  # throttle away from idle


class GuardReason(IntEnum):
    """Why the guard is idle."""

    START = 0  # nothing has armed it since the board started
    STOPPED = 1  # the stop request
    KEEP_ALIVE = 2  # no throttle request within the keep-alive time
    SILENCE = 3  # no radio packet within the silence limit
    BAD_ARM = 4  # wrong nonce or label
    SETTINGS = 5  # pins or pulse kinds were changed
    REFUSED = 6  # a throttle request above the cap or out of order
    LOOP_STALL = 7  # the main loop was late
    TIME_OUT = 8  # nothing was told for too long while the wiring could be changed


class OutputAct(IntEnum):
    """What is done with one pulse output; all but FORGET only while the wiring may be changed.

    FULL, BACKWARD and REST teach a motor controller its end points: in this order, never back, of one output, with
    nothing tried before. Each is also its keep-alive.
    """

    TRY = 0  # half a second: 1450 to 1550 us on a servo output, the idle pulse on a motor controller's
    CONFIRM = 1  # a person has seen what that moved
    FORGET = 2  # silent until confirmed anew
    FULL = 3  # the full pulse, before the controller gets power
    BACKWARD = 4  # as far to the other side of neutral, of a reversible one
    REST = 5  # idle or neutral


class TwiLines(IntEnum):
    """Bits: what was found on the two-wire bus before the scan."""

    SDA_FREED = 1  # a part held SDA low until it got clocks, nine at most
    SDA_HELD = 2  # SDA stays low
    SCL_HELD = 4  # SCL stays low


class Piece(IntEnum):
    """Head of a packet that carries frames over the air: the upper half tells whose it is, bits below what it is."""

    NUMBER = 0x01
    WANTED = 0x02  # number of the piece that is wanted next from the board
    BEGIN_ANEW = 0x04  # numbers start at 0; from the board: it has just started
    AT_ONCE = 0x08  # has no number
    TO_BOARD = 0x50
    FROM_BOARD = 0xA0


@dataclass(frozen=True, slots=True)
class Setting:
    """One stored setting. min and max bound numbers; text and byte settings have neither."""

    name: str
    key: int
    type: str
    default: int | str | bytes
    min: int = 0
    max: int = 0
    unit: str = ""
    doc: str = ""


#: idle (or neutral) and full of one motor controller each: keys from here on
REST_KEYS = 48

# fmt: off
SETTINGS: tuple[Setting, ...] = (
    Setting("role", 0, "u8", 0, 0, 2, "", "0 hand, 1 craft, 2 gauge"),
    Setting("label", 1, "text16", "", doc="the board's label"),
    Setting("bandgap_mv", 2, "u16", 1100, 900, 1300, "mV", "calibrated band-gap voltage"),
    Setting("rail_divider", 3, "u16", 1000, 500, 10000, "1/1000", "rail volts per volt at SENSE_RAIL, times 1000"),
    Setting("radio_channel", 4, "u8", 76, 0, 125, "", "RF_CH"),
    Setting("radio_rate", 5, "u8", 1, 0, 2, "", "0 250 kbps, 1 1 Mbps, 2 2 Mbps"),
    Setting("radio_power", 6, "u8", 3, 0, 3, "", "0 -18 dBm, 1 -12, 2 -6, 3 0"),
    Setting("radio_crc", 7, "u8", 2, 0, 2, "bytes", "CRC length on the air"),
    Setting("radio_retry_delay", 8, "u8", 1, 0, 15, "", "ARD field: (n + 1) * 250 us"),
    Setting("radio_retry_count", 9, "u8", 15, 0, 15, "", "ARC field"),
    Setting("radio_address", 10, "u32", 0x4D55444C, 0, 0xFFFFFFFF, "", "upper four address bytes; the fifth is fixed"),
    Setting("start_sound", 29, "u16", 0, 0, 9999, "", "what the motor controllers were heard to give once armed: 100 times the kind, and beeps; 0: not recorded"),
    Setting("neutral_us", 28, "u16", 1500, 1400, 1600, "us", "neutral pulse of reversible motor controllers"),
    Setting("silence_ms", 11, "u16", 250, 50, 5000, "ms", "radio silence after which the craft cuts"),
    Setting("cap_permille", 12, "u16", 200, 0, 300, "1/1000", "throttle cap enforced on the chip"),
    Setting("slew_permille_s", 13, "u16", 200, 10, 1000, "1/1000 s", "throttle slew limit enforced on the chip"),
    Setting("idle_us", 14, "u16", 1000, 800, 1200, "us", "idle pulse of one-way motor controllers"),
    Setting("full_us", 15, "u16", 2000, 1500, 2200, "us", "full-throttle pulse of motor controllers"),
    Setting("frame_us", 16, "u16", 20000, 2500, 20000, "us", "pulse frame period"),
    Setting("servo_min_us", 17, "u16", 1000, 500, 1500, "us", "servo pulse at stick minimum"),
    Setting("servo_max_us", 18, "u16", 2000, 1500, 2450, "us", "servo pulse at stick maximum; shorter than the shortest frame"),
    Setting("self_stimulus", 19, "u8", 0, 0, 1, "", "1: the board may pull its own switch lines low"),
    Setting("led_active_low", 20, "u8", 0, 0, 1, "", "1: the LED lights when its pin is low"),
    Setting("baud_code", 21, "u8", 0, 0, 3, "", "index of BAUDS; from the next start"),
    Setting("debounce_us", 22, "u16", 5000, 0, 50000, "us", "control loop: switch must be steady this long; 0 acts on the first edge"),
    Setting("send_interval_us", 23, "u16", 20000, 500, 60000, "us", "control loop: packets at least this often"),
    Setting("loop_ack", 24, "u8", 1, 0, 1, "", "control loop: ask for acknowledgement"),
    Setting("dead_band", 25, "u8", 0, 0, 100, "counts", "control loop: joystick dead band around the centre"),
    Setting("turnaround_ticks", 26, "u16", 1000, 400, 20000, "tick", "ECHO: from a ping's arrival to the reply's CE"),
    Setting("air_reach", 27, "u8", 0, 0, 1, "", "1: while nothing else uses the transceiver, listen for requests that another board relays"),
    Setting("pair_number", 40, "u8", 0, 0, 255, "", "control loop: packets of another pair's number do nothing"),
    Setting("radio_spi_slow", 41, "u8", 0, 0, 1, "", "1: the transceiver's bus at 2 MHz, not at half the processor's clock"),
    Setting("switch_to_supply", 42, "u8", 0, 0, 3, "", "bit 0: switch 1 closes to the supply, bit 1: switch 2; else to ground"),
    Setting("loader_loops", 43, "u8", 0, 0, 1, "", "1: its boot loader never comes back from a watchdog's reset; a restart that is asked for does without"),
    *(
        Setting(f"{what}{n + 1}_us", first + n, "u16", 0, 0, 2200, "us", f"{doc} of the motor controller at output {n + 1}; 0, or a rest out of the bounds of its kind: as for all")
        for what, first, doc in (("rest", REST_KEYS, "idle pulse, or neutral,"), ("full", REST_KEYS + 6, "full-throttle pulse"))
        for n in range(6)
    ),
)
# fmt: on
#: speeds of the serial line by the setting `baud_code`; a board that has never been told has the first
BAUDS = (500_000, 250_000, 115_200, 1_000_000)
#: pins: setting keys from here on, one per Function, type u8; no pin until told, but for RADIO_MISO
PIN_KEYS = 64
#: settings that decide what a motor controller's pin can emit: written only in the guard's state WIRING, over a cable
GUARDED_SETTINGS = (
    *("neutral_us", "silence_ms", "cap_permille", "slew_permille_s", "idle_us", "full_us", "frame_us"),
    *(s.name for s in SETTINGS if s.key >= REST_KEYS),
)
#: kinds of the six pulse outputs: keys from here on, type u8 (PulseKind); none until told
PULSE_KIND_KEYS = 96
#: pins that the chip itself gives a function; a board that has never been told has no other, and so drives none
CAPTURE_PIN = 0x10  # PB0, ICP1
#: lowest byte of every address on the air; the others are the setting radio_address
ADDRESS_LOW = 0xC7
MISO_PIN = 0x14  # PB4


@dataclass(frozen=True, slots=True)
class Message:
    """One message. tail: fields of a record that repeats to the end of the body, or one u8 "bytes" tail.

    idempotent: a request that may be sent again when its answer is late.
    """

    name: str
    number: int
    direction: Direction
    fields: tuple[Field, ...] = ()
    tail: tuple[Field, ...] = ()
    idempotent: bool = True
    doc: str = ""

    @property
    def has_bytes(self) -> bool:
        """Whether the tail is bytes, not rows."""
        return self.tail == _BYTES


def _f(text: str) -> tuple[Field, ...]:
    """Fields from "name type unit; …"."""
    return tuple(Field(*part.split()) for part in text.split(";") if part.strip())


_BYTES = (Field("byte", "u8"),)


def _pair(
    number: int,
    name: str,
    ask: str = "",
    answer: str = "",
    doc: str = "",
    *,
    ask_tail: tuple[Field, ...] = (),
    answer_tail: tuple[Field, ...] = (),
    idempotent: bool = True,
) -> tuple[Message, Message]:
    return (
        Message(name, number, Direction.REQUEST, _f(ask), ask_tail, idempotent, doc),
        Message(f"{name}_answer", number | ANSWER_BIT, Direction.ANSWER, _f(answer), answer_tail, True, doc),
    )


def _event(number: int, name: str, fields: str = "", tail: str = "", doc: str = "") -> tuple[Message]:
    return (Message(name, number, Direction.EVENT, _f(fields), _f(tail), True, doc),)


# fmt: off
MESSAGES: tuple[Message, ...] = (
    # ------------------------------------------------------------------ the board itself
    *_pair(0x01, "identify", "", "protocol u8; firmware u16; role u8; label text16; cause u8; mcusr u8; cause_from u8;"
           "boot_count u16; image_crc u32; clock_hz u32; stack_free u16; settings_ok u8; signature bytes3; clock_ok u8; "
           "image u8; fuses bytes4",
           "who and what the board is; image_crc is CRC-32 over the image, 0 while it is still being computed; clock_ok 0: the chip runs at another clock "
           "than the image was built for, by its watchdog's oscillator, and makes no pulse; image 0: of pair boards, 1: of a gauge; fuses: low byte, lock bits, extended byte, high byte"),
    *_pair(0x02, "clock", "", "received u32 tick; sent u32 tick", "arrival of the request's last byte, and the answer's start"),
    *_pair(0x03, "restart", "", "", "answers, then restarts through the watchdog", idempotent=False),
    *_pair(0x04, "setting_read", "key u8", "key u8", "value in the tail, as wide as the setting", answer_tail=_BYTES),
    *_pair(0x05, "setting_write", "key u8", "", "in RAM only, in force at once; what a motor controller's pin can emit is refused but in the state WIRING", ask_tail=_BYTES),
    *_pair(0x06, "settings_save", "", "written u16 bytes", "to EEPROM; only bytes that differ are written"),
    *_pair(0x07, "settings_default", "", "", "all settings but role and label back to their defaults, in RAM"),
    *_pair(0x08, "echo", "", "", "", ask_tail=_BYTES, answer_tail=_BYTES),
    *_pair(0x09, "vitals", "", "vcc_mv u16 mV; lowest_vcc_mv u16 mV; stack_free u16 bytes; frames_bad u16; overruns u16;"
           "events_dropped u16; radio_ok u8; radio_losses u16; guard u8; late_us u16 us",
           "radio_ok: the transceiver still holds what was written; radio_losses: times it was found changed; late_us: longest main-loop turn"),
    *_pair(0x0A, "forensics", "", "cause u8; mcusr u8; cause_from u8; boot_count u16; ram_survived u8; uptime_ms u32 ms;"
           "loads u8; lowest_vcc_mv u16 mV; radio_losses u16; guard u8",
           "the last state before this start, where RAM survived; loads is a bit set of Load"),
    # ------------------------------------------------------------------ pins, LED
    *_pair(0x0C, "pin", "function u8; mode u8", "level u8",
           "mode 0 input, 1 input with pull-up, 2 drive low, 3 drive high; then read. Pulse outputs are refused"),
    *_pair(0x0E, "look", "pin u8; mode u8", "level u8; reading u16",
           "a pin by its code, whatever it is for: mode 0 input, 1 input with pull-up, and so it stays; 2 drive low, 3 drive high, "
           "for some 5 us, then input again; level: in the end. Driving is refused where anything may hold the pin: it must "
           "read 0 without pull-up and 1 with it. reading: by the converter in the end, 0xFFFF where it has none"),
    *_pair(0x0D, "led", "blinks u8; on_ms u16 ms; off_ms u16 ms", "",
           "blinks 0: off, 255: on; else blink so often, then a done event", idempotent=False),
    # ------------------------------------------------------------------ transceiver
    *_pair(0x10, "radio_spi", "", "", "one raw SPI transaction; answer bytes as shifted out", ask_tail=_BYTES,
           answer_tail=_BYTES, idempotent=False),
    *_pair(0x11, "radio_apply", "", "status u8; wrong u8", "set the transceiver up from the settings and read back; wrong counts registers that differ"),
    *_pair(0x12, "radio_send", "no_ack u8", "ok u8; retries u8; took u16 us",
           "send the tail as one payload now; the answer's tail came back with the acknowledgement",
           ask_tail=_BYTES, answer_tail=_BYTES, idempotent=False),
    *_pair(0x13, "energy_scan", "first u8; last u8; dwell_us u16 us; sweeps u16", "", "scan events, then done",
           idempotent=False),
    *_pair(0x14, "link_start", "mode u8; test u8; count u32 packets; interval_us u32 us; payload u8 bytes", "start u32 tick",
           "count 0: until stopped; interval 0: as fast as it goes", idempotent=False),
    *_pair(0x15, "link_stop", "", "sent u32; delivered u32; received u32; dropped u16; late u16 tick",
           "delivered: acknowledged, or echoes back; dropped: records that found no room; late: stamps of the transceiver's "
           "events are so much late at most, 0 where its IRQ is wired"),
    # ------------------------------------------------------------------ supply
    *_pair(0x20, "adc", "source u8; prescaler u8; count u16; gap_us u16 us",
           "count u16; sum u32; square u32; low u16; high u16",
           "prescaler: division 2^n of the CPU clock, 4 to 7; count up to 1024; square: sum of squared distances from the first reading", idempotent=True),
    *_pair(0x21, "droop", "load u8; source u8; first_us u16 us; step_us u16 us; points u16; repeats u8; settle_ms u8 ms; prescaler u8",
           "", "equivalent-time sampling: per point and repeat settle, switch the load on, convert after the delay; droop_rows, then done",
           idempotent=False),
    *_pair(0x22, "load", "load u8; on u8; strength u8", "", "steady loads for the hunt; strength is the power code or percent", idempotent=True),
    # ------------------------------------------------------------------ controls
    *_pair(0x28, "watch", "function u8; on u8", "level u8", "edges of a digital input as edge events"),
    *_pair(0x29, "stick_stream", "interval_us u16 us; count u16", "", "both joystick axes: stick_rows, then done", idempotent=False),
    *_pair(0x2A, "self_stimulus", "function u8; presses u8; down_us u16 us; up_us u16 us", "",
           "pull the own switch line; trace events STIMULUS; then done. Only where the setting self_stimulus allows", idempotent=False),
    # ------------------------------------------------------------------ control loop, pulses, capture
    *_pair(0x30, "loop_start", "trace u8", "", "run the reference control loop (hand: sample and send; craft: receive and apply)"),
    *_pair(0x31, "loop_stop", "", "packets u32; lost u32; late u16 tick",
           "hand: sent and given up; craft: received and missing numbers; late: as of link_stop"),
    *_pair(0x32, "stick_set", "on u8; x u16; y u16", "", "virtual stimulus in place of the joystick, 0 to 1023"),
    *_pair(0x33, "pulse", "channel u8; width_us u16 us", "", "servo pulse, 0 turns it off; refused on motor-controller channels; channel counts from 1"),
    *_pair(0x34, "pulse_read", "channel u8", "width u16 tick; frame u16 tick; kind u8", "what the timer is set to deliver"),
    *_pair(0x35, "capture", "on u8", "", "pulses on the capture pin as capture events"),
    # ------------------------------------------------------------------ the guard
    *_pair(0x38, "arm_challenge", "channel u8; radio u8", "nonce u32; state u8",
           "radio 1: control packets over the air are a condition too; they are one anyway while the control loop runs. "
           "Channel 0: not to arm, but to change the wiring",
           idempotent=False),
    *_pair(0x39, "arm", "channel u8; nonce u32; label text16; cap_permille u16", "state u8; cap_permille u16",
           "the cap in force is the least of the asked, the stored and 300", idempotent=False),
    *_pair(0x3A, "throttle", "channel u8; permille i16; number u16", "state u8; reason u8; width_us u16 us",
           "also the keep-alive; number must be greater than the last one's; below 0 only on a reversible channel",
           idempotent=False),
    *_pair(0x3B, "stop", "silent u8", "state u8",
           "everything to idle, disarmed; accepted in any state from anyone. silent 1: 100 ms later motor controllers "
           "get no pulse at all, until they are armed anew"),
    *_pair(0x3C, "guard_read", "", "state u8; reason u8; width_us u16 us; cap_permille u16; silence_ms u16 ms; age_ms u16 ms;"
           "radio_age_ms u16 ms; confirmed u8; silent u8",
           "confirmed: a bit a pulse output, bit 0 is channel 1; silent: motor controllers get no pulse"),
    *_pair(0x3D, "output", "channel u8; act u8", "confirmed u8", "act: an OutputAct", idempotent=False),
    # ------------------------------------------------------------------ inertial sensor
    *_pair(0x40, "twi_scan", "slow u8", "lines u8", "addresses that acknowledge; slow 1: at 100 kHz, as all that follows, else 400 kHz; lines: a bit set of TwiLines", answer_tail=_BYTES),
    *_pair(0x41, "twi_read", "address u8; reg u8; count u8", "status u8", "status 0, else the TWI status code it failed with", answer_tail=_BYTES),
    *_pair(0x42, "twi_write", "address u8; reg u8", "status u8", "", ask_tail=_BYTES),
    *_pair(0x43, "imu_stream", "address u8; interval_us u16 us; count u16", "", "registers 0x3B to 0x48: imu_rows, then done", idempotent=False),
    # ------------------------------------------------------------------ refusal
    Message("refusal", 0xFF, Direction.ANSWER, _f("to u8; code u8; detail u8"), doc="instead of the answer"),
    # ------------------------------------------------------------------ events
    *_event(0x60, "boot", "protocol u8; firmware u16; role u8; label text16; cause u8; mcusr u8; cause_from u8;"
            "boot_count u16; ram_survived u8; uptime_ms u32 ms; loads u8; lowest_vcc_mv u16 mV",
            doc="first thing after every start; uptime_ms, loads and lowest_vcc_mv are of the life before, where RAM survived"),
    *_event(0x61, "done", "what u8; status u8; detail u16", doc="a long request has ended; what is its number, status 0 or an Error"),
    *_event(0x62, "scan", "sweep u16; first u8", "busy u8",
            doc="hits of consecutive channels: 1 where the received-power detector saw more than its threshold"),
    *_event(0x63, "link_sent", "test u8", "packet u16; queued u32 tick; air u16 tick; done u32 tick; result u8",
            doc="air: from queued to CE raised; done: IRQ; result bits 0-3 retries, bit 4 delivered"),
    *_event(0x64, "link_received", "test u8", "packet u16; received u32 tick; flags u8",
            doc="IRQ time; flags bit 0: read from a queue of more than one"),
    *_event(0x65, "link_pinged", "test u8", "packet u16; sent u32 tick; back u32 tick; there u32 tick; turnaround u16 tick; result u8",
            doc="sent: own CE raised; back: own IRQ; there: the other board's IRQ, in its ticks; result bit 4: echo came"),
    *_event(0x66, "droop_rows", "first u16; baseline u16", "sum u16", doc="sums over the repeats per point; baseline: sum before the load"),
    *_event(0x67, "edges", "function u8", "at u32 tick; level u8"),
    *_event(0x68, "stick_rows", "first u16; at u32 tick", "x u16; y u16"),
    *_event(0x69, "trace", "", "point u8; value u16; at u32 tick", doc="points of the control path"),
    *_event(0x6A, "captured", "", "rise u32 tick; width u16 tick", doc="pulses by input capture"),
    *_event(0x6B, "guard_changed", "state u8; reason u8; at u32 tick; width_us u16 us"),
    *_event(0x6C, "imu_rows", "first u16; at u32 tick", "ax i16; ay i16; az i16; temperature i16; gx i16; gy i16; gz i16"),
    *_event(0x6D, "radio_lost", "at u32 tick; reg u8; found u8; expected u8", doc="the transceiver was found with other settings than written"),
)
# fmt: on

BY_NUMBER: Mapping[int, Message] = {m.number: m for m in MESSAGES}
BY_NAME: Mapping[str, Message] = {m.name: m for m in MESSAGES}
SETTING_BY_NAME: Mapping[str, Setting] = {s.name: s for s in SETTINGS}
