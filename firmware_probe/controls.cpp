// SPDX-License-Identifier: MIT
#include "controls.h"
#include "control_loop.h"
#include "dispatch.h"
#include "frame.h"
#include "handlers.h"
#include "probe.h"
#include "settings.h"
#include "stimulus.h"

enum Watcher { BY_HOST = 1, BY_LOOP = 2 };
static uint8_t watchers[FUNCTION_COUNT];
static uint8_t host_count;

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

void controls_poll(void) {
  poll_stick();
  stimulus_poll();
}
