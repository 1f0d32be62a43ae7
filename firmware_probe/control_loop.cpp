// SPDX-License-Identifier: MIT
#include "control_loop.h"
#include <string.h>
#include "board.h"
#include "controls.h"
#include "dispatch.h"
#include "frame.h"
#include "handlers.h"
#include "life.h"
#include "nrf24.h"
#include "outputs.h"
#include "probe.h"
#include "relay.h"
#include "settings.h"

#define CENTRE 512
#define FULL_SCALE 1023
#define SWITCHES 2
#define FLIGHT_LIMIT (100 * TICKS_PER_MS)

struct __attribute__((packed, may_alias)) Packet {
  uint16_t number;
  uint8_t buttons, pair;
  uint16_t x, y;
};

struct Switch {
  uint8_t pin;
  bool level, decided, settling;  // level as last seen; decided: what counts
  uint32_t since;
};

static struct {
  bool on, craft, tracing, warming, in_flight, changed, fresh, axis, converting;
  uint16_t number, flying;
  uint32_t due, send_due, interval, debounce;
  uint16_t heard_ms;           // craft: the last packet that counted
  uint32_t packets, lost;
  Switch switches[SWITCHES];
  uint16_t x, y;               // as sampled
  uint16_t applied_x;
} loop;
static struct {
  bool on;
  uint16_t x, y;
} stick;                       // virtual stimulus

bool loop_uses_radio(void) { return loop.on; }
bool loop_receives(void) { return loop.on && loop.craft && !loop.warming; }
bool loop_uses_adc(void) { return loop.on && !loop.craft && !stick.on; }

// ---------------------------------------------------------------- hand: sense

static uint16_t with_dead_band(uint16_t value) {
  uint16_t from_centre = value > CENTRE ? value - CENTRE : CENTRE - value;
  return from_centre <= settings.dead_band ? CENTRE : value;
}

static void decide(Switch &s, uint32_t now) {
  s.settling = false;
  if (s.decided == s.level) return;
  s.decided = s.level;
  loop.changed = true;
  if (loop.tracing) trace(POINT_DECIDED, s.level, now);
}

static void send_now(uint32_t now);

void loop_edge(const HwEdge &edge) {
  if (!loop.on) return;
  if (edge.pin == settings.pins[FUNCTION_LOOP_BACK] && loop.tracing) return trace(POINT_LOOP, edge.level, edge.at);
  if (loop.craft) return;
  for (Switch &s : loop.switches) {
    if (s.pin != edge.pin) continue;
    s.level = edge.level;
    s.since = edge.at;
    if (loop.debounce == 0 && s.decided != s.level) {
      // the packet goes out before anything is told
      s.decided = s.level;
      loop.changed = true;
      uint32_t now = hw_ticks();
      if (!loop.in_flight && !loop.warming) send_now(now);
      if (loop.tracing) {
        trace(POINT_EDGE, edge.level, edge.at);
        trace(POINT_DECIDED, edge.level, now);
      }
      return;
    }
    s.settling = true;
    if (loop.tracing) trace(POINT_EDGE, edge.level, edge.at);
  }
}

static void poll_switches(void) {
  uint32_t now = hw_ticks();
  for (uint8_t i = 0; i < SWITCHES; i++) {
    Switch &s = loop.switches[i];
    if (!s.settling) continue;
    if (now - s.since >= loop.debounce) {
      decide(s, now);
    } else {
      wake_at(s.since + loop.debounce);
    }
  }
}

// One axis after the other, one conversion a turn of the millisecond.
static void poll_axes(void) {
  if (stick.on || !hw_adc_done()) return;
  if (loop.converting) (loop.axis ? loop.y : loop.x) = hw_adc_value();
  loop.axis = !loop.axis;
  uint8_t channel = stick_channel(loop.axis ? FUNCTION_JOY_Y : FUNCTION_JOY_X);
  loop.converting = channel != HW_ADC_NONE;
  if (!loop.converting) return;
  hw_adc_select(channel, hw_adc_precise());
  hw_adc_begin();
}

// ---------------------------------------------------------------- hand: send

static void send_now(uint32_t queued) {
  Packet p;
  p.number = loop.number++;
  p.buttons = ((loop.switches[0].decided ? 0 : 1) | (loop.switches[1].decided ? 0 : 2)) ^ settings.switch_to_supply;
  p.pair = settings.pair_number;
  p.x = stick.on ? stick.x : with_dead_band(loop.x);
  p.y = stick.on ? stick.y : with_dead_band(loop.y);
  nrf_upload((const uint8_t *)&p, sizeof p, !settings.loop_ack || nrf_needs_fixed_length());
  uint32_t ce = hw_ce_rise();
  nrf_expect();
  loop.flying = p.number;
  loop.in_flight = true;
  loop.changed = false;
  loop.packets++;
  loop.due = ce + FLIGHT_LIMIT;
  loop.send_due = queued + loop.interval;
  hw_wait_us(9);
  hw_ce(false);
  if (!loop.tracing) return;
  trace(POINT_QUEUED, p.number, queued);
  trace(POINT_SENT, p.number, ce);
}

static void flight_over(uint32_t at, uint8_t status) {
  loop.in_flight = false;
  if (!(status & NRF_TX_DS)) {
    nrf_command(NRF_FLUSH_TX);
    loop.lost++;
  }
  if (loop.changed) send_now(hw_ticks());
  if (loop.tracing) trace(POINT_DONE, loop.flying, at);
}

static void fast_hand(void) {
  uint32_t at;
  if (!loop.in_flight || !nrf_event(&at)) return;
  uint8_t status = nrf_clear_flags();
  if (status & (NRF_TX_DS | NRF_MAX_RT)) flight_over(at, status);
}

static void poll_hand(void) {
  poll_switches();
  poll_axes();
  uint32_t now = hw_ticks();
  if (loop.in_flight) {
    if (!not_yet(loop.due)) {  // no interrupt came: the transceiver may have lost its settings
      nrf_check();
      flight_over(now, nrf_clear_flags());
    }
    return;
  }
  if (loop.changed || !not_yet(loop.send_due)) send_now(now);
  wake_at(loop.send_due);
}

// ---------------------------------------------------------------- craft: apply

static void apply_servo(uint16_t x) {
  if (x == loop.applied_x || x > FULL_SCALE) return;
  loop.applied_x = x;
  uint16_t span = (settings.servo_max_us - settings.servo_min_us) * TICKS_PER_US;
  uint16_t width = settings.servo_min_us * TICKS_PER_US + ((uint32_t)span * x + FULL_SCALE / 2) / FULL_SCALE;
  for (uint8_t channel = 1; channel <= PULSES; channel++) {
    if (!outputs_servo(channel, width)) continue;
    if (loop.tracing) trace(POINT_APPLIED, width, hw_ticks());
    return;
  }
}

static void count(uint16_t number) {
  uint16_t gap = number - loop.number;
  if (loop.packets && gap < 0x8000) loop.lost += gap;
  loop.number = number + 1;
  loop.packets++;
}

// Numbers advance; a hand unit that has started anew begins at 0 again, which counts once the silence has been so long
// that the guard has cut.
static bool counts(const Packet &p) {
  if (p.pair != settings.pair_number) return false;
  if ((int16_t)(p.number - loop.number) >= 0 || !loop.packets) return true;
  return (uint16_t)(hw_ms() - loop.heard_ms) >= settings.silence_ms;
}

static void apply(const Packet &p, uint32_t at) {
  if (!counts(p)) return;
  bool lit = p.buttons & 1, was = life.loads & 1 << LOAD_LED;
  if (lit != was) led_set(lit);
  uint32_t applied = hw_ticks();
  outputs_control_packet();
  loop.heard_ms = hw_ms();
  count(p.number);
  if (loop.tracing) {
    trace(POINT_RECEIVED, p.number, at);
    if (lit != was) trace(POINT_APPLIED, lit, applied);
  }
  apply_servo(p.x);
}

static void fast_craft(void) {
  uint32_t at;
  if (!hw_radio_irq_take(&at) && !nrf_looked(&at)) return;
  // payload first, then the flag, then whether there is more: the order of the data sheet (section 9, RX_DR)
  for (uint8_t n = 0; n < 3; n++) {
    uint8_t size = nrf_download(nrf_buffer);
    if (size == sizeof(Packet)) {
      apply(*(const Packet *)nrf_buffer, at);
    } else {
      if (HW_WHOLE) relay_take(size);
    }
    nrf_clear_flags();
    if (nrf_read(NRF_FIFO_STATUS) & NRF_FIFO_RX_EMPTY) return;
  }
}

// ---------------------------------------------------------------- one turn

static void begin(void) {
  loop.warming = false;
  if (loop.craft) {
    nrf_listen();
  } else {
    nrf_sender();
    loop.send_due = hw_ticks();
  }
}

void loop_fast(void) {
  if (!loop.on || loop.warming) return;
  if (loop.craft) {
    fast_craft();
  } else {
    fast_hand();
  }
}

void loop_poll(void) {
  if (!loop.on) return;
  if (loop.warming) {
    if (!not_yet(loop.due)) begin();
    return;
  }
  if (!loop.craft) poll_hand();
}

// ---------------------------------------------------------------- requests

uint8_t on_loop_start(const Request &r) {
  const msg_loop_start &m = *(const msg_loop_start *)r.fields;
  if (settings.role > 1) return ERROR_ROLE;
  if (m.trace > 1) return ERROR_VALUE;
  nrf_fixed_length(sizeof(Packet));
  if (!nrf_present() || nrf_apply()) return ERROR_PART;
  memset(&loop, 0, sizeof loop);
  loop.craft = settings.role == 1;
  loop.tracing = m.trace;
  loop.x = loop.y = CENTRE;
  loop.applied_x = 0xFFFF;
  loop.debounce = settings.debounce_us * TICKS_PER_US;
  loop.interval = settings.send_interval_us * TICKS_PER_US;
  for (uint8_t i = 0; i < SWITCHES; i++) {
    Switch &s = loop.switches[i];
    s.pin = settings.pins[FUNCTION_SWITCH1 + i];
    s.level = s.decided = s.pin == NO_PIN || hw_pin_read(s.pin);
    if (!loop.craft) watch_function(FUNCTION_SWITCH1 + i, true);
  }
  watch_function(FUNCTION_LOOP_BACK, m.trace);
  loop.warming = true;
  loop.due = hw_ticks() + NRF_START_MS * TICKS_PER_MS;
  loop.on = true;
  if (loop.craft) outputs_control_link(true);
  return HANDLED;
}

uint8_t on_loop_stop(const Request &r) {
  if (loop.on) {
    if (loop.in_flight) return AGAIN;  // registers are written in standby only (table 20)
    loop.on = false;
    outputs_control_link(false);
    watch_function(FUNCTION_SWITCH1, false);
    watch_function(FUNCTION_SWITCH2, false);
    watch_function(FUNCTION_LOOP_BACK, false);
    nrf_quiet();
  }
  in_place<msg_loop_stop_answer>(r) = {loop.packets, loop.lost, nrf_stamps_late()};
  return answer_in_place(r, sizeof(msg_loop_stop_answer));
}

uint8_t on_stick_set(const Request &r) {
  const msg_stick_set &m = *(const msg_stick_set *)r.fields;
  if (m.on > 1 || m.x > FULL_SCALE || m.y > FULL_SCALE) return ERROR_VALUE;
  if (GAUGE) {
    bool done = hw_level(settings.pins[FUNCTION_STICK_OUT], m.on ? (m.x + 2) >> 2 : 0);
    return done ? (uint8_t)HANDLED : (uint8_t)ERROR_PIN;
  }
  loop.converting = false;  // the converter goes to somebody else, or comes from there with his reading
  stick.on = m.on;
  stick.x = m.x;
  stick.y = m.y;
  return HANDLED;
}
