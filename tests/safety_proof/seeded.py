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
from dataclasses import dataclass
from pathlib import Path

from proof_rig import Rig
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
    _g("keep-alive is not watched", "if (older(now, throttle_at_, GUARD_KEEP_ALIVE_MS)) {", "if (false) {",
       "a silent host ends it"),
    _g("lapse leaves it armed", "drop(GUARD_REASON_KEEP_ALIVE, now);", "enter(GUARD_STATE_ARMED, reason_, now);",
       "a silent host ends it"),
    _g("cap is skipped", " || permille > cap) {", ") {", "above the cap ends it"),
    _g("slew is skipped", "while (ms--) present_ += step_;", "present_ = target_;",
       "throttle rises no faster than the slew"),
    _g("any nonce arms", "nonce_ != 0 && nonce == nonce_ && ", "", "a wrong nonce does not arm"),
    _g("arms without a challenge", "bool right = state_ == GUARD_STATE_CHALLENGED && ", "bool right = nonce_ == 0 || ",
       "no challenge no arming"),
    _g("a wrong answer leaves the challenge open",
       "  nonce_ = 0;  // used up, right or wrong\n  if (!right) {\n    drop(GUARD_REASON_BAD_ARM, now);\n",
       "  if (!right) {\n", "a challenge is used up by a wrong answer"),
    _g("any label arms", " &&\n               memcmp(label, own_label, LABEL_SIZE) == 0;", ";",
       "another label does not arm"),
    _g("half the label is enough", "memcmp(label, own_label, LABEL_SIZE)", "memcmp(label, own_label, 15)",
       "another label does not arm"),
    _g("the channel is not compared when arming", "channel == channel_ && nonce_", "nonce_",
       "another channel does not arm"),
    _g("a challenge never ends", "#define TICKS_A_MS 2000UL",
       "#define TICKS_A_MS 2000UL\n#undef GUARD_CHALLENGE_MS\n#define GUARD_CHALLENGE_MS 500000UL",
       "a challenge ends after five seconds"),
    _g("the nonce is always the same", "nonce_ = mixed(mixed(entropy ^ now) + challenged_at_ * 2654435761UL) | 1;",
       "nonce_ = mixed(12345);", "two challenges differ"),
    _g("numbers are not compared", "number <= number_ || ", "", "a repeated number ends it"),
    _g("a repeated number is taken", "number <= number_ ||", "number < number_ ||", "a repeated number ends it"),
    _g("the channel of a throttle is not compared", "channel != channel_ || number", "number",
       "another channels throttle ends it"),
    _g("silence is not watched", "else if (radio_ && older", "else if (false && older", "radio silence ends it"),
    _g("the control loop makes no condition", "radio_ = radio || link_on_;", "radio_ = radio;",
       "the control loop makes the radio a condition"),
    _g("new settings leave it armed", "if (state_ != GUARD_STATE_IDLE) drop(GUARD_REASON_SETTINGS, now);", "",
       "new settings end it"),
    _g("throttle falls late", "    present_ = target_;\n    put_out();\n", "    present_ = target_;\n",
       "throttle falls at once"),
    _g("the width is kept for the next arming", "if (state != GUARD_STATE_LIVE) present_ = 0;", "",
       "arming anew begins at idle"),
    _g("the old width stays on the pin", "if (state != GUARD_STATE_LIVE) present_ = 0;\n  put_out();\n",
       "if (state != GUARD_STATE_LIVE) present_ = 0;\n", "a stop ends it within a frame"),
    Defect("stop is answered and nothing else", "firmware_probe/outputs.cpp",
           "guard.drop(GUARD_REASON_STOPPED, hw_ticks_held());", "", "a stop ends it within a frame"),
    Defect("nobody ticks the guard", "firmware_probe/outputs.cpp", "  guard.tick(now);\n", "  (void)now;\n",
           "a silent host ends it"),
    Defect("a pulse request reaches motor channels", "firmware_probe/outputs.cpp",
           "  if (kind_of(m.channel) == PULSE_KIND_MOTOR) return ERROR_GUARDED;\n", "",
           "no request goes past the guard"),
    Defect("guarded settings are written past the guard", "firmware_probe/board.cpp",
           "return key >= 11 && key <= 16; }", "return key >= 13 && key <= 16; }", "new settings end it"),
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
    _i("the cap is skipped", "        if not 0 <= permille <= round(1000 * self.cap):\n", "        if permille < 0:\n"),
    _i("conditions are looked at only when arming",
       "        self._check(role, now)\n        if not 0 <= permille", "        if not 0 <= permille"),
    _i("a lapse keeps the attestations", "        self._given.clear()\n        self._idle.clear()\n        self._move(Change.LAPSE)",
       "        self._idle.clear()\n        self._move(Change.LAPSE)"),
    _i("a lapse keeps the state", "        self._idle.clear()\n        self._move(Change.LAPSE)\n", "        self._idle.clear()\n"),
    _i("a stop is not final", "        Change.RENEW: State.SAFE,\n", "        Change.RENEW: State.SAFE,\n        Change.CLEAR: State.CLEARED,\n"),
    _i("a stop keeps the attestations", "        self._given.clear()\n        self._idle.clear()\n        self._move(Change.STOP)",
       "        self._move(Change.STOP)"),
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
    Defect("nobody there attests", "benchctl/safety/attesting.py", '            answer = ""\n', "            answer = word\n"),
    Defect("an idle guard is passed over", "benchctl/safety/drive.py",
           "        if answer.state == GuardState.IDLE:\n            reason", "        if False:\n            reason"),
    Defect("idle is taken for granted", "benchctl/safety/drive.py",
           "        if answer.state == GuardState.IDLE:\n            self.interlock.saw_idle", "        if True:\n            self.interlock.saw_idle"),
    Defect("disarming is not told to the board", "benchctl/safety/drive.py",
           '        self._board.ask("stop", timeout=ANSWER_S)\n', ""),
    Defect("the board never learns the cap", "benchctl/safety/drive.py",
           '        self._board.write_setting("cap_permille", round(1000 * self.interlock.cap))\n', ""),
    Defect("a stop ends at the first lost port", "benchctl/safety/stop.py",
           "            lost.append(str(e))\n", "            lost.append(str(e))\n            break\n"),
    Defect("real boards take the simulated operator", "benchctl/ports/bench.py",
           '        if operator.by == "simulated":\n', '        if operator.by == "":\n'),
    Defect("a restart goes by unheard", "benchctl/procedure/runner.py", "            self.interlock.lapse(role)\n", ""),
)  # fmt: skip


# ---------------------------------------------------------------------- noticing


def notices_firmware(defect: Defect, folder: Path) -> str:
    """Which scenario notices, "" when none does."""
    image = build(defect, folder)
    order = sorted(SCENARIOS, key=lambda name: name != defect.first)
    rig = Rig("avr", images={Role.CRAFT: str(image)})
    try:
        for name in order:
            try:
                rig.fresh()
                SCENARIOS[name](rig)
            except AssertionError:
                return name
    finally:
        rig.close()
    return ""


def build(defect: Defect | None, folder: Path) -> Path:
    """The image of the sources with the defect in them."""
    shutil.copytree(ROOT / "firmware_probe", folder / "firmware_probe", ignore=shutil.ignore_patterns("build"))
    if defect is not None:
        patched(defect, folder)
    rules = folder / "firmware_probe" / "Makefile"
    rules.write_text(rules.read_text().replace("-Werror", ""))  # what a defect leaves unused is no error here
    made = subprocess.run(
        ["make", "build/probe_16mhz.hex"], cwd=folder / "firmware_probe", capture_output=True, text=True, check=False
    )
    assert made.returncode == 0, made.stderr
    return folder / "firmware_probe" / "build" / "probe_16mhz.hex"


def notices_host(defect: Defect | None, folder: Path) -> str:
    """Which test notices, "" when none does."""
    shutil.copytree(ROOT / "benchctl", folder / "benchctl", ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("tests/safety", "procedures"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "DEVELOPERS.md"):
        shutil.copy(ROOT / name, folder / name)
    if defect is not None:
        patched(defect, folder)
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-x", "-n", "0", "-p", "no:cacheprovider", "--no-header", "-rf",
         "--deselect", "tests/safety/test_interlock.py::test_the_picture_in_the_contributors_page_is_the_table",
         *HOST_TESTS],
        cwd=folder, env={**os.environ, "PYTHONPATH": str(folder)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stdout + done.stderr
    found = re.search(r"^FAILED \S+?::(\S+)", done.stdout, re.M)
    assert bool(found) == bool(done.returncode), done.stdout
    return found.group(1) if found else ""


def notices(defect: Defect, folder: Path) -> str:
    """What notices the defect; "" when nothing does. folder: empty, for the copy."""
    return (notices_firmware if defect.firmware else notices_host)(defect, folder)
