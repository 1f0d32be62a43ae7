// SPDX-License-Identifier: MIT
#include "stimulus.h"
#include "dispatch.h"
#include "frame.h"
#include "handlers.h"
#include "hw.h"
#include "probe.h"
#include "settings.h"

static struct {
  uint8_t pin, left;
  bool down, untold, up;  // up: of a switch to the supply, which is pressed up
  uint32_t down_ticks, up_ticks, due, at;
} pull;

uint8_t on_self_stimulus(const Request &r) {
  const msg_self_stimulus &m = *(const msg_self_stimulus *)r.fields;
  if (m.function != FUNCTION_SWITCH1 && m.function != FUNCTION_SWITCH2) return ERROR_VALUE;
  if (!settings.self_stimulus) return ERROR_GUARDED;
  if (!hw_pin_exists(settings.pins[m.function])) return ERROR_PIN;
  if (m.presses == 0 || m.down_us < 100 || m.up_us < 100) return ERROR_VALUE;
  if (pull.left) return ERROR_BUSY;
  pull.pin = settings.pins[m.function];
  pull.left = m.presses;
  pull.down = false;
  pull.up = settings.switch_to_supply & m.function;  // bits as the numbers of the functions
  pull.down_ticks = m.down_us * TICKS_PER_US;
  pull.up_ticks = m.up_us * TICKS_PER_US;
  pull.due = hw_ticks() + pull.up_ticks;
  return HANDLED;
}

// Only the level of the pressed switch is driven: a switch that is closed at the same time does no harm.
static void tell_pull(void) {
  pull.untold = false;
  trace(POINT_STIMULUS, pull.down == pull.up, pull.at);
  if (pull.down || --pull.left) return;
  event_flush();
  send_done(MSG_SELF_STIMULUS, 0, 0);
}

// The last thing in a turn, and told of in the next one only: what the edge brings about must not wait for it.
void stimulus_last(void) {
  if (!pull.left || pull.untold || not_yet(pull.due)) return;
  pull.down = !pull.down;
  pull.at = hw_pin_pull(pull.pin, pull.down, pull.up);
  pull.due = pull.at + (pull.down ? pull.down_ticks : pull.up_ticks);
  pull.untold = true;
}

void stimulus_poll(void) {
  if (pull.untold) tell_pull();
}
