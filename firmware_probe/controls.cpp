// SPDX-License-Identifier: MIT
#include "controls.h"
#include "control_loop.h"
#include "dispatch.h"
#include "frame.h"
#include "handlers.h"
#include "probe.h"
#include "settings.h"

enum Watcher { BY_HOST, BY_LOOP, WATCHERS };
static uint32_t watched[WATCHERS];  // a bit a function
static_assert(FUNCTION_COUNT <= 32, "more functions than bits");

uint8_t stick_channel(uint8_t function) { return hw_adc_channel(settings.pins[function]); }

// ---------------------------------------------------------------- edges

static bool is_input(uint8_t function) {
  return function == FUNCTION_SWITCH1 || function == FUNCTION_SWITCH2 || function == FUNCTION_LOOP_BACK ||
         (function >= FUNCTION_WATCH1 && function <= FUNCTION_RESET_WATCH2) || function == FUNCTION_RADIO_IRQ ||
         function == FUNCTION_CAPTURE;
}

static uint32_t bit_of(uint8_t function) { return 1UL << function; }

static void watch_by(uint8_t function, uint8_t who, bool on) {
  uint32_t bit = bit_of(function);
  watched[who] |= bit;
  if (!on) watched[who] ^= bit;
  hw_edge_watch(settings.pins[function], (watched[BY_HOST] | watched[BY_LOOP]) & bit);
}

void watch_function(uint8_t function, bool on) { watch_by(function, BY_LOOP, on); }

uint8_t on_watch(const Request &r) {
  const msg_watch &m = *(const msg_watch *)r.fields;
  if (m.function >= FUNCTION_COUNT || m.on > 1 || !is_input(m.function)) return ERROR_VALUE;
  if (!hw_pin_exists(settings.pins[m.function])) return ERROR_PIN;
  watch_by(m.function, BY_HOST, m.on);
  in_place<msg_watch_answer>(r).level = hw_pin_read(settings.pins[m.function]);
  return answer_in_place(r, sizeof(msg_watch_answer));
}

static void tell_host(const HwEdge &edge) {
  uint32_t left = watched[BY_HOST];
  for (uint8_t f = 0; left; f++, left >>= 1) {
    if (!(left & 1) || settings.pins[f] != edge.pin) continue;
    row_edges row = {edge.at, edge.level};
    event_row(MSG_EDGES, &f, 1, &row, sizeof row);
  }
}

void controls_fast(void) {
  HwEdge edge;
  while (hw_edge_take(&edge)) {
    if (!GAUGE) loop_edge(edge);
    tell_host(edge);
  }
}
