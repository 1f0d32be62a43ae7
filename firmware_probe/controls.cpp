// SPDX-License-Identifier: MIT
#include "controls.h"
#include "control_loop.h"
#include "dispatch.h"
#include "frame.h"
#include "handlers.h"
#include "probe.h"
#include "settings.h"

enum Watcher { BY_HOST = 1, BY_LOOP = 2 };
static uint8_t watchers[FUNCTION_COUNT];
static uint8_t host_count;

void trace(uint8_t point, uint16_t value, uint32_t at) {
  row_trace row = {point, value, at};
  event_row(MSG_TRACE, nullptr, 0, &row, sizeof row);
}

uint8_t stick_channel(uint8_t function) { return hw_adc_channel(settings.pins[function]); }

// ---------------------------------------------------------------- edges

static bool is_input(uint8_t function) {
  return function == FUNCTION_SWITCH1 || function == FUNCTION_SWITCH2 || function == FUNCTION_LOOP_BACK ||
         (function >= FUNCTION_WATCH1 && function <= FUNCTION_RESET_WATCH2) || function == FUNCTION_RADIO_IRQ ||
         function == FUNCTION_CAPTURE;
}

static void watch_by(uint8_t function, uint8_t who, bool on) {
  uint8_t &w = watchers[function];
  if (who == BY_HOST && on != ((w & BY_HOST) != 0)) host_count += on ? 1 : -1;
  w = on ? w | who : w & (uint8_t)~who;
  hw_edge_watch(settings.pins[function], w);
}

void watch_function(uint8_t function, bool on) { watch_by(function, BY_LOOP, on); }

uint8_t on_watch(const Request &r) {
  const msg_watch &m = *(const msg_watch *)r.fields;
  if (m.function >= FUNCTION_COUNT || m.on > 1 || !is_input(m.function)) return ERROR_VALUE;
  if (!hw_pin_exists(settings.pins[m.function])) return ERROR_PIN;
  watch_by(m.function, BY_HOST, m.on);
  msg_watch_answer a = {hw_pin_read(settings.pins[m.function])};
  return answer(r, &a, sizeof a);
}

static void tell_host(const HwEdge &edge) {
  for (uint8_t f = 0; f < FUNCTION_COUNT; f++) {
    if (!(watchers[f] & BY_HOST) || settings.pins[f] != edge.pin) continue;
    row_edges row = {edge.at, edge.level};
    event_row(MSG_EDGES, &f, 1, &row, sizeof row);
  }
}

void controls_fast(void) {
  HwEdge edge;
  while (hw_edge_take(&edge)) {
    loop_edge(edge);
    if (host_count) tell_host(edge);
  }
}

// ---------------------------------------------------------------- joystick stream

#define STICK_LEAST_US 300  // two conversions of 104 us, and the loop around them

static struct {
  bool on, second;
  uint8_t channel[2];
  uint16_t n, count, x;
  uint32_t interval, due;
} stick;

bool controls_use_adc(void) { return stick.on; }

uint8_t on_stick_stream(const Request &r) {
  const msg_stick_stream &m = *(const msg_stick_stream *)r.fields;
  if (probe_taken() & USES_ADC) return ERROR_BUSY;
  if (m.count == 0 || m.interval_us < STICK_LEAST_US) return ERROR_VALUE;
  stick.channel[0] = stick_channel(FUNCTION_JOY_X);
  stick.channel[1] = stick_channel(FUNCTION_JOY_Y);
  if (stick.channel[0] == HW_ADC_NONE || stick.channel[1] == HW_ADC_NONE) return ERROR_PIN;
  stick.on = true;
  stick.second = false;
  stick.n = 0;
  stick.count = m.count;
  stick.interval = m.interval_us * TICKS_PER_US;
  stick.due = hw_ticks();
  hw_adc_select(stick.channel[0], hw_adc_precise());
  hw_adc_begin();
  return HANDLED;
}

static void stick_row(uint32_t now, uint16_t y) {
  msg_stick_rows head = {stick.n, now};
  row_stick_rows row = {stick.x, y};
  event_row_first(MSG_STICK_ROWS, &head, sizeof head, 0, &row, sizeof row);
  if (++stick.n < stick.count) return;
  stick.on = false;
  event_flush();
  send_done(MSG_STICK_STREAM, 0, stick.n);
}

// x is converted ahead of its time slot's end, y right after it.
static void poll_stick(void) {
  if (!stick.on) return;
  uint32_t now = hw_ticks();
  if (!hw_adc_done()) return wake_at(now + 30 * TICKS_PER_US);
  if (!stick.second) {
    if (not_yet(stick.due)) return;
    stick.x = hw_adc_value();
    hw_adc_select(stick.channel[1], hw_adc_precise());
  } else {
    stick_row(stick.due, hw_adc_value());
    stick.due += stick.interval;
    if ((int32_t)(now - stick.due) > 0) stick.due = now;
    hw_adc_select(stick.channel[0], hw_adc_precise());
  }
  stick.second = !stick.second;
  hw_adc_begin();
  wake_at(now + 110 * TICKS_PER_US);
}

// ---------------------------------------------------------------- pulling the own switch line

static struct {
  uint8_t pin, left;
  bool down, untold;
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
  pull.down_ticks = m.down_us * TICKS_PER_US;
  pull.up_ticks = m.up_us * TICKS_PER_US;
  pull.due = hw_ticks() + pull.up_ticks;
  return HANDLED;
}

// Low is driven, high is left to the pull-up: a switch that is closed at the same time does no harm.
static void tell_pull(void) {
  pull.untold = false;
  trace(POINT_STIMULUS, !pull.down, pull.at);
  if (pull.down || --pull.left) return;
  event_flush();
  send_done(MSG_SELF_STIMULUS, 0, 0);
}

// The last thing in a turn, and told of in the next one only: what the edge brings about must not wait for it.
void controls_last(void) {
  if (!pull.left || pull.untold || not_yet(pull.due)) return;
  pull.down = !pull.down;
  pull.at = hw_pin_pull(pull.pin, pull.down);
  pull.due = pull.at + (pull.down ? pull.down_ticks : pull.up_ticks);
  pull.untold = true;
}

void controls_poll(void) {
  poll_stick();
  if (pull.untold) tell_pull();
}
