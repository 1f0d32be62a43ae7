"""Defects of the safety code, put in one at a time: the suite has to notice each of them.

A firmware defect is patched into a copy of the sources, the image is built and the scenarios are told to it on the avr
bench. A host defect is patched into a copy of the package, and the tests of `tests/safety` run against that copy.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import always_watched
from proof_rig import Rig
from quick_image import QuickImage
from scenarios import SCENARIOS

from benchctl.terms import Role

ROOT = Path(__file__).resolve().parents[2]
HOST_TESTS = ("tests/safety/test_interlock.py", "tests/safety/test_drive.py")


@dataclass(frozen=True, slots=True)
class Defect:
    """file: below the repository. old: what must be there exactly once. new: what is put in its place."""

    name: str
    file: str
    old: str
    new: str
    first: str = ""  # the scenario most likely to notice, told first
    tests: tuple[str, ...] = ()  # of a host defect: what pytest is asked for in place of HOST_TESTS
    wiring: str = ""  # of a firmware defect: the craft that shows it, see WIRINGS

    @property
    def firmware(self) -> bool:
        return self.file.startswith("firmware_probe/")


def patched(defect: Defect, root: Path) -> None:
    """Put the defect into the copy below `root`. Raises AssertionError when the source has changed under it."""
    path = root / defect.file
    text = path.read_text("utf-8")
    assert text.count(defect.old) == 1, f"{defect.name}: {defect.file} no longer has {defect.old!r} once"
    path.write_text(text.replace(defect.old, defect.new), "utf-8")


def _g(name: str, old: str, new: str, first: str) -> Defect:
    return Defect(name, "firmware_probe/guard.cpp", old, new, first)


FIRMWARE: tuple[Defect, ...] = (
    _g("keep-alive is not watched", "if (older(throttle_at_, GUARD_KEEP_ALIVE_MS)) {", "if (false) {",
       "a silent host ends it"),
    _g("lapse leaves it armed", "drop(GUARD_REASON_KEEP_ALIVE);", "enter(GUARD_STATE_ARMED, reason_);",
       "a silent host ends it"),
    _g("cap is skipped", " || size > cap_ || (backward", " || (backward", "above the cap ends it"),
    _g("slew is skipped", "while (ms--) present_ += step_;", "present_ = target_;",
       "throttle rises no faster than the slew"),
    _g("any nonce arms", "nonce_ != 0 && asked.nonce == nonce_ && ", "", "a wrong nonce does not arm"),
    _g("arms without a challenge", "bool right = state_ == GUARD_STATE_CHALLENGED && ", "bool right = nonce_ == 0 || ",
       "no challenge no arming"),
    _g("a wrong answer leaves the challenge open",
       "  nonce_ = 0;  // used up, right or wrong\n  if (!right) {\n    drop(GUARD_REASON_BAD_ARM);\n",
       "  if (!right) {\n", "a challenge is used up by a wrong answer"),
    _g("any label arms", " &&\n               memcmp(asked.label, own_label, LABEL_SIZE) == 0;", ";",
       "another label does not arm"),
    _g("half the label is enough", "memcmp(asked.label, own_label, LABEL_SIZE)", "memcmp(asked.label, own_label, 15)",
       "another label does not arm"),
    _g("the channel is not compared when arming", "asked.channel == channel_ && nonce_", "nonce_",
       "another channel does not arm"),
    _g("a challenge never ends", "#define TICKS_A_MS 2000UL",
       "#define TICKS_A_MS 2000UL\n#undef GUARD_CHALLENGE_MS\n#define GUARD_CHALLENGE_MS 500000UL",
       "a challenge ends after five seconds"),
    _g("the nonce is always the same", "nonce_ = mixed(mixed(entropy) ^ now) | 1;",
       "nonce_ = mixed(12345);", "two challenges differ"),
    _g("numbers are not compared", "number <= number_ || ", "", "a repeated number ends it"),
    _g("a repeated number is taken", "number <= number_ ||", "number < number_ ||", "a repeated number ends it"),
    _g("the channel of a throttle is not compared", "channel != channel_ || number", "number",
       "another channels throttle ends it"),
    _g("silence is not watched", "else if (radio_ && older", "else if (false && older", "radio silence ends it"),
    _g("the control loop makes no condition", "radio_ = radio || link_on_;", "radio_ = radio;",
       "the control loop makes the radio a condition"),
    _g("new settings leave it armed", "if (state_ == GUARD_STATE_CHALLENGED || armed()) drop(GUARD_REASON_SETTINGS);", "",
       "new wiring ends it"),
    _g("throttle falls late", "  if (present_ != was) put_out();\n", "  (void)was;\n",
       "throttle falls at once"),
    _g("the width is kept for the next arming", "if (state != GUARD_STATE_LIVE) present_ = 0;", "",
       "arming anew begins at idle"),
    _g("the old width stays on the pin", "  end_attempt();\n  put_out();\n  if (!told)", "  end_attempt();\n  if (!told)", "a stop ends it within a frame"),
    _g("full is shown to whoever has just lost its signal", " || !older(throttle_at_, GUARD_UNHEARD_MS)) {", ") {",
       "full is shown after silence and in the wiring only"),
    _g("full is shown again after idle", "if (act < taught_ || channel", "if (channel",
       "end points are shown on and never back"),
    _g("full is shown after a try", "  taught_ = TRIED;\n", "",
       "end points are shown on and never back"),
    _g("full is shown to what is not confirmed", "uint8_t here = rules_.motors & bit_of(channel);", "uint8_t here = bit_of(channel);",
       "full is shown after silence and in the wiring only"),
    _g("one way is taught backwards", "  if (act == OUTPUT_ACT_BACKWARD) here &= rules_.reversible;\n", "",
       "end points are shown on and never back"),
    _g("a lesson needs no keep-alive", "armed() || (uint8_t)(taught_ - 1) < OUTPUT_ACT_REST", "armed()",
       "full that ends otherwise than in idle leaves no pulse"),
    _g("a lesson goes on unasked", "if (older(throttle_at_, GUARD_KEEP_ALIVE_MS)) {",
       "if (armed() && older(throttle_at_, GUARD_KEEP_ALIVE_MS)) {", "full that ends otherwise than in idle leaves no pulse"),
    _g("idle follows full that is stopped", "if ((uint8_t)(taught_ - 1) < OUTPUT_ACT_BACKWARD) silenced_ = true;", "",
       "full that ends otherwise than in idle leaves no pulse"),
    _g("a lesson outlives its end", "  taught_ = 0;\n  enter", "  enter",
       "full that ends otherwise than in idle leaves no pulse"),
    Defect("full is shown past the wiring", "firmware_probe/outputs.cpp",
           "if (m.act != OUTPUT_ACT_FORGET && !wiring()) return ERROR_GUARDED;",
           "if (m.act < OUTPUT_ACT_FORGET && !wiring()) return ERROR_GUARDED;",
           "full is shown after silence and in the wiring only"),
    Defect("stop is answered and nothing else", "firmware_probe/outputs.cpp",
           "guard.drop(GUARD_REASON_STOPPED);", "", "a stop ends it within a frame"),
    Defect("nobody ticks the guard", "firmware_probe/outputs.cpp", "  guard.tick(now);\n", "  (void)now;\n",
           "a silent host ends it"),
    _g("a pulse request reaches motor channels", "!(rules_.servos & bit_of(channel))) return false;",
       "!((rules_.servos | rules_.motors) & bit_of(channel))) return false;", "no request goes past the guard"),
    Defect("guarded settings are written past the guard", "firmware_probe/settings.cpp",
           "  if (emitted && !wiring) return ERROR_GUARDED;\n", "", "what the pin can emit is not written as other settings are"),
    Defect("a kind is written past the guard", "firmware_probe/settings.cpp",
           " || offset >= offsetof(Settings, pulse_kinds) ||", " ||", "what the pin can emit is not written as other settings are"),
    Defect("defaults are taken past the guard", "firmware_probe/board.cpp",
           "  if (!GAUGE && !outputs_wiring()) return ERROR_GUARDED;\n", "", "what the pin can emit is not written as other settings are"),
    Defect("what is changed stays confirmed", "firmware_probe/settings.cpp",
           "  if (emitted || place == &settings.role) settings.confirmed = 0;\n", "  (void)emitted;\n",
           "a changed output is silent until it was tried and confirmed"),
    Defect("confirmed without being tried", "firmware_probe/outputs.cpp",
           "if (on && !guard.attempted(m.channel)) return ERROR_GUARDED;", "",
           "a changed output is silent until it was tried and confirmed"),
    _g("a forgotten output goes on by the old rules",
       "  rules_ = rules;  // first: what is put out when dropping must not start a channel that is no longer confirmed\n"
       "  if (state_ == GUARD_STATE_CHALLENGED || armed()) drop(GUARD_REASON_SETTINGS);\n",
       "  if (state_ == GUARD_STATE_CHALLENGED || armed()) drop(GUARD_REASON_SETTINGS);\n  rules_ = rules;\n",
       "a forgotten output falls silent"),
    _g("servos move unconfirmed", "if (state_ == GUARD_STATE_WIRING || !(rules_.servos & bit_of(channel))) return false;",
       "if (rules_.motors & bit_of(channel)) return false;", "a servo not confirmed takes no movement"),
    _g("wiring opens while armed", "if (armed() || state_ == GUARD_STATE_WIRING || channel > CHANNELS) return 0;",
       "if (channel > CHANNELS) return 0;", "wiring is opened by its own challenge only"),
    Defect("wiring is not silent", "firmware_probe/guard.h", " || state_ == GUARD_STATE_WIRING; }", "; }",
           "while the wiring is open everything is silent"),
    _g("a servo is tried at one end", "servo ? 2 * GUARD_TRY_US : rest(channel)", "servo ? 4000 : rest(channel)",
       "while the wiring is open everything is silent"),
    _g("a try does not end", "  if (trying_ && older(quiet_at_, GUARD_TRY_MS)) end_attempt();\n", "",
       "while the wiring is open everything is silent"),
    _g("a stop does not silence", "    silenced_ = true;\n", "", "a stop that silences ends the pulses"),
    _g("the cap asked for is skipped", "cap_ = cap < rules_.cap_permille ? cap : rules_.cap_permille;",
       "cap_ = rules_.cap_permille;", "each arming has its own cap"),
    _g("a later arming inherits the highest cap", "cap_ = cap < rules_.cap_permille ? cap : rules_.cap_permille;",
       "cap = cap < rules_.cap_permille ? cap : rules_.cap_permille;\n  if (cap > cap_) cap_ = cap;",
       "each arming has its own cap"),
    _g("every motor channel follows the armed one", "  guard_output(channel_, GuardedWidth(ticks(channel_)));  //",
       "  for (uint8_t c = 1; c <= CHANNELS; c++)\n"
       "    if (rules_.motors & bit_of(c)) guard_output(c, GuardedWidth(ticks(channel_)));  //", "other motors stay at idle"),
    _g("the nonce counts from the reset", "nonce_ = mixed(mixed(entropy) ^ now) | 1;",
       "static uint32_t counted;\n  nonce_ = mixed(++counted) | 1;", "nonces do not count from the reset"),
    _g("the end of the control loop takes the radio condition away", "if (on && armed()) radio_ = true;", "radio_ = on;",
       "the end of the control loop leaves the condition"),
    Defect("a motor pin is high from its wiring to its first pulse", "firmware_probe/hw_pulse.cpp",
           "  hw_pin_output(pin, false);\n", "  hw_pin_output(pin, true);\n", "frames and levels are as told"),
    Defect("frames come twice as often", "firmware_probe/outputs.cpp",
           "hw_pulse_frame(settings.frame_us * TICKS_PER_US);", "hw_pulse_frame(settings.frame_us * TICKS_PER_US / 2);",
           "frames and levels are as told"),
    Defect("a droop goes on while armed", "firmware_probe/outputs.cpp", "  if (measure_droops()) return ERROR_BUSY;\n", "",
           "a droop keeps off an armed motor"),
    Defect("the width on PB2 is not scaled at 8 MHz", "firmware_probe/hw_pulse.cpp",
           "MATCH_AT(unit) + (ticks >> HW_TICK_SHIFT);", "MATCH_AT(unit) + (unit ? ticks : ticks >> HW_TICK_SHIFT);",
           "frames and levels are as told", wiring="8 MHz"),
    Defect("a pulse that is cut on a pin without compare unit stays high", "firmware_probe/hw_pulse.cpp",
           "  if (p.running || !ticks) return;\n",
           "  if (!ticks && by_timer0(p)) p.running = false;\n  if (p.running || !ticks) return;\n",
           "a pulse that is cut falls", wiring="no compare unit"),
    Defect("a role without outputs leaves the pin as it is", "firmware_probe/hw_pulse.cpp",
           "    if (pulses[i].pin != NO_PIN) level(pulses[i], false);\n", "",
           "a pulse that is cut falls", wiring="no compare unit"),
    Defect("any packet restarts the silence timer", "firmware_probe/control_loop.cpp", "  if (!counts(p)) return;\n",
           "  outputs_control_packet();\n  if (!counts(p)) return;\n", "packets of another pair are none"),
    Defect("any packet of the right length counts", "firmware_probe/control_loop.cpp",
           "  if (p.pair != settings.pair_number) return false;\n", "", "packets of another pair are none"),
    Defect("a restart draws a pulse out", "firmware_probe/hw_reset.cpp", "  TCCR1A = 0;\n  DDRB = DDRC = DDRD = 0;\n", "",
           "restarts draw no pulse out"),
    Defect("a cut pulse widens the next", "firmware_probe/hw_pulse.cpp", "  end_compared();\n", "  (void)end_compared;\n",
           "cut pulses leave no wide one"),
)  # fmt: skip


def _i(name: str, old: str, new: str) -> Defect:
    return Defect(name, "benchctl/safety/interlock.py", old, new)


HOST: tuple[Defect, ...] = (
    _i("a missing attestation is no obstacle", "            if given is None:\n", "            if given is None:\n                continue\n            if given is None:\n"),
    _i("attestations never expire", "            elif now >= given.until:\n", "            elif False:\n"),
    _i("idle need not have been seen", "        if role not in self._idle:\n", "        if False:\n"),
    _i("the cap is skipped", "        if not (-most if both_ways else 0) <= permille <= most:\n", "        if permille < -most:\n"),
    _i("conditions are looked at only when arming",
       "        self._check(role, now)\n        most = ", "        most = "),
    _i("a lapse keeps the attestations", "        self._given.clear()\n        if off is not None:", "        if off is not None:"),
    _i("a lapse keeps the state", "        self._idle.clear()\n        self._move(Change.LAPSE)\n", "        self._idle.clear()\n"),
    _i("a stop is not final", "        Change.RENEW: State.SAFE,\n", "        Change.RENEW: State.SAFE,\n        Change.CLEAR: State.CLEARED,\n"),
    _i("throttle without being accepted", "    State.CHALLENGED: {Change.ACCEPT: State.ARMED, **_ANYWHERE},",
       "    State.CHALLENGED: {Change.ACCEPT: State.ARMED, Change.RAISE: State.LIVE, **_ANYWHERE},"),
    _i("arming without being cleared", "    State.SAFE: {Change.CLEAR: State.CLEARED, **_ANYWHERE},",
       "    State.SAFE: {Change.CLEAR: State.CLEARED, Change.CHALLENGE: State.CHALLENGED, **_ANYWHERE},"),
    _i("numbers start over at every request", "        self._number += 1\n", "        self._number = 1\n"),
    _i("the cap can be changed while armed", "        if self.state in (State.ARMED, State.LIVE, State.CHALLENGED):\n", "        if False:\n"),
    Defect("a higher cap asks for nothing more", "benchctl/safety/attestation.py",
           "STATEMENTS + ((HIGHER_CAP,) if cap > USUAL_CAP else ())", "STATEMENTS"),
    Defect("any cap is allowed", "benchctl/safety/attestation.py", "MOST_CAP = 0.30", "MOST_CAP = 1.00"),
    Defect("any answer attests", "benchctl/safety/attestation.py", "return answer.strip().lower() == word", "return True"),
    Defect("yes attests", "benchctl/safety/attestation.py", "return answer.strip().lower() == word",
           'return answer.strip().lower() in (word, "yes")'),
    Defect("nobody there attests", "benchctl/safety/attesting.py", '            answer = ""\n            break\n', "            accepted = True\n            break\n"),
    Defect("an idle guard is passed over", "benchctl/safety/drive.py",
           "        if answer.state == GuardState.IDLE:\n            reason", "        if False:\n            reason"),
    Defect("idle is taken for granted", "benchctl/safety/drive.py",
           "        if answer.state == GuardState.IDLE:\n            self.interlock.saw_idle", "        if True:\n            self.interlock.saw_idle"),
    Defect("disarming is not told to the board", "benchctl/safety/drive.py",
           "        self._board.ask(msg.Stop(silent=0), timeout=ANSWER_S)\n", ""),
    _i("the board never learns the cap", '"cap_permille": round(1000 * self.cap)}', '"cap_permille": 300}'),
    _i("the wiring is changed with the battery plugged in", "        if not self.valid(SUPPLY_OFF.name, now):\n", "        if False:\n"),
    _i("a battery that is asked for leaves it attested off", "        self._given.pop(SUPPLY_OFF.name, None)\n", ""),
    Defect("a later stage inherits the highest cap so far", "benchctl/procedure/runner.py",
           'self.interlock.set_cap(float(step.parameters.get("cap", 100 * USUAL_CAP)) / 100)',
           'self.interlock.set_cap(max(self.interlock.cap, float(step.parameters.get("cap", 100 * USUAL_CAP)) / 100))',
           tests=("tests/stages/test_outputs.py", "-k", "inherit")),
    Defect("servos swing with the battery plugged in", "benchctl/procedure/runner.py",
           "            return attest_off(context, self.interlock)\n", '            return ""\n', tests=("tests/stages/test_outputs.py", "-k", "swing")),
    Defect("the ramp's sag is compared the wrong way round", "benchctl/stages/throttle_ramp.py",
           'if rest - volts > ctx.number("abort_sag"):', 'if volts - rest > ctx.number("abort_sag"):',
           tests=("tests/stages/test_outputs.py", "-k", "sag")),
    Defect("an output is confirmed whatever moved", "benchctl/stages/outputs.py",
           "    if answer == (_NOTHING if kind in MOTOR_KINDS else _SERVO):\n", "    if True:\n", tests=("tests/stages/test_outputs.py",)),
    Defect("a stop ends at the first lost port", "benchctl/safety/stop.py",
           "            missed[role] = str(e)\n", "            missed[role] = str(e)\n            break\n"),
    Defect("real boards take the simulated operator", "benchctl/ports/bench.py",
           '        if operator.by == "simulated":\n', '        if operator.by == "":\n'),
    Defect("a restart goes by unheard", "benchctl/procedure/runner.py", "            self.interlock.lapse(role, asked=asked)\n", ""),
)  # fmt: skip


_LINES = ("tests/ports/test_stopping.py",)
_PATHS = "tests/safety_proof/test_stop_paths.py"

STOP: tuple[Defect, ...] = (
    Defect("the bytes of a stop before its flags", "benchctl/operate.py",
           "        self.bench.halted = True\n        self.interlock.stop()\n        self._reach |= self.bench.stop_all()\n",
           "        self._reach |= self.bench.stop_all()\n        self.bench.halted = True\n        self.interlock.stop()\n",
           tests=(_PATHS, "-k", "flags")),
    Defect("the interlock is not stopped", "benchctl/operate.py", "        self.interlock.stop()\n", "",
           tests=(_PATHS, "-k", "flags or middle")),
    Defect("the flag is looked at too early", "benchctl/ports/line.py",
           "            with self._lock:\n                if self.shut:\n                    raise Stopped(SHUT)\n",
           "            if self.shut:\n                raise Stopped(SHUT)\n            with self._lock:\n", tests=_LINES),
    Defect("a halted bench leaves its lines open", "benchctl/ports/bench.py", "                port.shut()\n",
           "                pass\n", tests=_LINES),
    Defect("a line that was found again stays open", "benchctl/ports/bench.py", "            found.line.shut()\n",
           "            pass\n", tests=_LINES),
    Defect("a full line is not tried again", "benchctl/ports/bench.py",
           "        self._patience.go_on(reach, self._ports, self.halted)\n", "", tests=_LINES),
    Defect("a stop waits for room", "benchctl/ports/line.py",
           "            return self._write_some(memoryview(data)) == len(data)\n",
           "            select.select([], [self._fd], [], WRITE_S)\n"
           "            return self._write_some(memoryview(data)) == len(data)\n", tests=_LINES),
    Defect("a modelled line takes what comes behind a stop", "benchctl/sim/line.py",
           "        if self.plugged and (urgent or not self._shut):\n", "        if self.plugged:\n",
           tests=("tests/sim/test_sim_line.py", _PATHS, "-k", "behind or shut")),
    Defect("a stop ends at the first full line", "benchctl/safety/stop.py", "                missed[role] = FULL\n",
           "                missed[role] = FULL\n                break\n"),
    Defect("a stop is sent once", "benchctl/safety/stop.py", "COPIES = 3", "COPIES = 1"),
    Defect("far boards are not told to stop", "benchctl/relayed_bench.py",
           " | stop_ports({board.role: board.port for board in self._far})", "",
           tests=("tests/benches/test_over_air.py", "-k", "far_board_too")),
    Defect("a polite kill stops no run", "benchctl/signals.py", '("SIGINT", "SIGTERM", "SIGBREAK")', '("SIGINT", "SIGBREAK")',
           tests=(_PATHS, "-k", "SIGTERM")),
    Defect("a terminal that goes away stops no run", "benchctl/signals.py", '| {"SIGHUP": "closed"}', "",
           tests=(_PATHS, "-k", "SIGHUP or closed_terminal")),
    Defect("the stop key waits for the screen", "benchctl/tui/stop_key.py", "                stop()\n", "                pass\n",
           tests=("tests/tui/test_stop_key.py",)),
    Defect("a late host goes on", "benchctl/safety/interlock.py",
           "        if self._number and now - self._asked_at > KEEP_ALIVE_S:\n", "        if False:\n"),
    Defect("a suspend goes by unnoticed", "benchctl/ports/clock.py", "        if at - self._looked > LATE_S:\n",
           "        if False:\n", tests=("tests/ports/test_port.py", "-k", "clock or late")),
    Defect("nobody asks whether the host was late", "benchctl/safety/interlock.py", "        if late != self._late:\n",
           "        if False:\n"),
    Defect("another image goes on with old passes", "benchctl/procedure/runner.py",
           "                if label != label_now or (image and image_now and image != image_now):\n",
           "                if label != label_now:\n",
           tests=("tests/safety_proof/test_unplugged.py", "-k", "passes_count")),
    Defect("a blank attests", "benchctl/safety/attestation.py", "return answer.strip().lower() == word",
           'return answer.strip().lower() in (word, "")'),
    Defect("what was attested while stopped counts afterwards", "benchctl/safety/interlock.py",
           "        self._given.clear()  # what came in while the stop did\n", ""),
    Defect("a wrong word followed by a blank attests", "benchctl/safety/attesting.py",
           "        if matches(word, answer):\n", "        if matches(word, answer) or not answer.strip():\n"),
    Defect("a wrong word followed by a blank is taken", "benchctl/safety/attesting.py",
           "        if refuses(answer):\n            break\n",
           "        if slip and not answer.strip():\n            answer = word\n"
           "        if refuses(answer):\n            break\n"),
    Defect("signals stop no run of the run screen", "benchctl/tui/app.py", "    on_signals(leave)\n", "",
           tests=(_PATHS, "-k", "run_screen_and_close")),
    Defect("idle is said while the board must still cut", "benchctl/safety/drive.py",
           "self.access.stage, True, text, self.interlock.cap))", "self.access.stage, False, text, self.interlock.cap))",
           tests=("tests/robust/test_drive_edges.py",)),
)  # fmt: skip
HOST += STOP

_TAUGHT = ("tests/stages/test_teach_esc.py", "-m", "not long")
LESSON: tuple[Defect, ...] = (
    Defect("full goes out unattested", "benchctl/stages/teach_esc.py", "    why = attest_off(ctx, ctx.interlock)\n",
           '    why = ""\n', tests=_TAUGHT),
    Defect("what was attested for other work counts for full", "benchctl/stages/teach_esc.py",
           "    ctx.interlock.plugged()  # what was attested before was for other work\n", "", tests=_TAUGHT),
    Defect("a lesson begins unattested", "benchctl/safety/interlock.py",
           "        self.check_off(now)\n        self._lesson = True\n", "        self._lesson = True\n"),
    Defect("what ends a lesson does not", "benchctl/safety/interlock.py", "        if missing or not self._lesson:\n",
           "        if False:\n"),
    Defect("the battery is asked for before full goes out", "benchctl/stages/teach_esc.py",
           "        lesson.full()\n        ctx.interlock.plugged()\n",
           '        ctx.ask(ev.PromptKind.DO, "battery", "plug_motor", role=Role.CRAFT)\n        lesson.full()\n        ctx.interlock.plugged()\n',
           tests=_TAUGHT),
    Defect("battery off counts on while it is asked for", "benchctl/stages/teach_esc.py",
           "        lesson.full()\n        ctx.interlock.plugged()\n", "        lesson.full()\n", tests=_TAUGHT),
    Defect("neutral comes before full backwards", "benchctl/stages/teach_esc.py",
           "            lesson.backward()\n", "            lesson.rest()\n            lesson.backward()\n", tests=_TAUGHT),
    Defect("full is not kept up", "benchctl/stages/teach_esc.py", "meanwhile=lesson.keep", "meanwhile=None", tests=_TAUGHT),
    Defect("no silence before full", "benchctl/safety/teaching.py", "        self.access.wait(UNHEARD_S)\n", "", tests=_TAUGHT),
    Defect("what was not taken keeps its pulses", "benchctl/stages/teach_esc.py",
           "    drive_of(ctx, channel).take_away()\n", "", tests=_TAUGHT),
)  # fmt: skip
HOST += LESSON

# ---------------------------------------------------------------------- noticing


@cache
def _quick() -> QuickImage:
    return QuickImage(Path(tempfile.mkdtemp(prefix="seeded-")))


def notices_firmware(defect: Defect | None) -> str:
    """Which scenario notices, or the watch of all pulses beside it, "" when none does."""
    image = build(defect)
    order = sorted(SCENARIOS, key=lambda name: defect is None or name != defect.first)
    rig = Rig("avr", images={Role.CRAFT: str(image)}, wiring=defect.wiring if defect else "")
    try:
        for name in order:
            try:
                rig.fresh()
                SCENARIOS[name](rig)
            except AssertionError:
                return name
            if always_watched.complaints(set(), False):
                return f"{name}, by the watch of all pulses"
    finally:
        rig.close()
        always_watched.forget()
    return ""


def build(defect: Defect | None) -> Path:
    """The image of the sources with the defect in them. Raises AssertionError when the source has changed under it."""
    made, mhz = _quick(), 8 if defect is not None and defect.wiring == "8 MHz" else 16
    if defect is None:
        image = made.image(mhz)
    else:
        source = (ROOT / defect.file).read_text("utf-8")
        assert source.count(defect.old) == 1, f"{defect.name}: {defect.file} no longer has {defect.old!r} once"
        name = Path(defect.file).name
        made.put(name, source.replace(defect.old, defect.new).encode())
        image = made.image(mhz)
        made.put(name, source.encode())
    assert image is not None, f"{defect.name if defect else 'the sound firmware'} does not build"
    return image


def notices_host(defect: Defect | None, folder: Path) -> str:
    """Which test notices, "" when none does."""
    shutil.copytree(ROOT / "benchctl", folder / "benchctl", ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("tests" if defect is not None and defect.tests else "tests/safety", "procedures"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "DEVELOPERS.md", *(str(p.relative_to(ROOT)) for p in (ROOT / "tests").glob("*.py"))):
        shutil.copy(ROOT / name, folder / name)
    if defect is not None:
        patched(defect, folder)
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-x", "-n", "0", "-p", "no:cacheprovider", "--no-header", "-rfE",
         "--deselect", "tests/safety/test_interlock.py::test_the_picture_in_the_contributors_page_is_the_table",
         *(defect.tests if defect is not None and defect.tests else HOST_TESTS)],
        cwd=folder, env={**os.environ, "PYTHONPATH": str(folder)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stdout + done.stderr
    found = re.search(r"^(?:FAILED|ERROR) \S+?::(\S+)", done.stdout, re.M)
    assert bool(found) == bool(done.returncode), done.stdout
    return found.group(1) if found else ""


def notices(defect: Defect, folder: Path) -> str:
    """What notices the defect; "" when nothing does. folder: empty, for the copy."""
    return notices_firmware(defect) if defect.firmware else notices_host(defect, folder)
