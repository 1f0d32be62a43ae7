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
#define ROLE_GAUGE 2
#define FULL_SCALE 1023
#define SWITCHES 2
#define FLIGHT_LIMIT (100 * TICKS_PER_MS)

struct __attribute__((packed)) Packet {
  uint16_t number;
  uint8_t buttons, flags;
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
  uint32_t packets, lost;
  Switch switches[SWITCHES];
  uint16_t x, y;               // as sampled
  uint16_t applied_x;
} c;
static struct {
  bool on;
  uint16_t x, y;
} stick;                       // virtual stimulus

bool loop_uses_radio(void) { return c.on; }
bool loop_receives(void) { return c.on && c.craft && !c.warming; }
bool loop_uses_adc(void) { return c.on && !c.craft && !stick.on; }

// ---------------------------------------------------------------- hand: sense

static uint16_t with_dead_band(uint16_t value) {
  uint16_t from_centre = value > CENTRE ? value - CENTRE : CENTRE - value;
  return from_centre <= settings.dead_band ? CENTRE : value;
}

static void decide(Switch &s, uint32_t now) {
  s.settling = false;
  if (s.decided == s.level) return;
  s.decided = s.level;
  c.changed = true;
  if (c.tracing) trace(POINT_DECIDED, s.level, now);
}

static void send_now(uint32_t now);

void loop_edge(const HwEdge &edge) {
  if (!c.on) return;
  if (edge.pin == settings.pins[FUNCTION_LOOP_BACK] && c.tracing) return trace(POINT_LOOP, edge.level, edge.at);
  for (uint8_t i = 0; i < SWITCHES && !c.craft; i++) {
    Switch &s = c.switches[i];
    if (s.pin != edge.pin) continue;
    s.level = edge.level;
    s.since = edge.at;
    if (c.debounce == 0 && s.decided != s.level) {
      // the packet goes out before anything is told
      s.decided = s.level;
      c.changed = true;
      uint32_t now = hw_ticks();
      if (!c.in_flight && !c.warming) send_now(now);
      if (c.tracing) {
        trace(POINT_EDGE, edge.level, edge.at);
        trace(POINT_DECIDED, edge.level, now);
      }
      return;
    }
    s.settling = true;
    if (c.tracing) trace(POINT_EDGE, edge.level, edge.at);
  }
}

static void poll_switches(void) {
  uint32_t now = hw_ticks();
  for (uint8_t i = 0; i < SWITCHES; i++) {
    Switch &s = c.switches[i];
    if (!s.settling) continue;
    if (now - s.since >= c.debounce) {
      decide(s, now);
    } else {
      wake_at(s.since + c.debounce);
    }
  }
}

// One axis after the other, one conversion a turn of the millisecond.
static void poll_axes(void) {
  if (stick.on || !hw_adc_done()) return;
  if (c.converting) (c.axis ? c.y : c.x) = hw_adc_value();
  c.axis = !c.axis;
  uint8_t channel = stick_channel(c.axis ? FUNCTION_JOY_Y : FUNCTION_JOY_X);
  c.converting = channel != HW_ADC_NONE;
  if (!c.converting) return;
  hw_adc_select(channel, hw_adc_precise());
  hw_adc_begin();
}

// ---------------------------------------------------------------- hand: send

static void send_now(uint32_t queued) {
  Packet p;
  p.number = c.number++;
  p.buttons = (c.switches[0].decided ? 0 : 1) | (c.switches[1].decided ? 0 : 2);
  p.flags = 0;
  p.x = stick.on ? stick.x : with_dead_band(c.x);
  p.y = stick.on ? stick.y : with_dead_band(c.y);
  nrf_upload((const uint8_t *)&p, sizeof p, !settings.loop_ack || nrf_needs_fixed_length());
  uint32_t ce = hw_ce_rise();
  c.flying = p.number;
  c.in_flight = true;
  c.changed = false;
  c.packets++;
  c.due = ce + FLIGHT_LIMIT;
  c.send_due = queued + c.interval;
  hw_wait_us(9);
  hw_ce(false);
  if (!c.tracing) return;
  trace(POINT_QUEUED, p.number, queued);
  trace(POINT_SENT, p.number, ce);
}

static void flight_over(uint32_t at, uint8_t status) {
  c.in_flight = false;
  if (!(status & NRF_TX_DS)) {
    nrf_command(NRF_FLUSH_TX);
    c.lost++;
  }
  if (c.changed) send_now(hw_ticks());
  if (c.tracing) trace(POINT_DONE, c.flying, at);
}

static void fast_hand(void) {
  uint32_t at;
  if (!hw_radio_irq_take(&at)) return;
  uint8_t status = nrf_clear_flags();
  if (c.in_flight && (status & (NRF_TX_DS | NRF_MAX_RT))) flight_over(at, status);
}

static void poll_hand(void) {
  poll_switches();
  poll_axes();
  uint32_t now = hw_ticks();
  if (c.in_flight) {
    if (!not_yet(c.due)) {  // no interrupt came: the transceiver may have lost its settings
      nrf_check();
      flight_over(now, nrf_clear_flags());
    }
    return;
  }
  if (c.changed || !not_yet(c.send_due)) send_now(now);
  wake_at(c.send_due);
}

// ---------------------------------------------------------------- craft: apply

static void apply_servo(uint16_t x) {
  if (x == c.applied_x || x > FULL_SCALE) return;
  c.applied_x = x;
  uint16_t span = (settings.servo_max_us - settings.servo_min_us) * TICKS_PER_US;
  uint16_t width = settings.servo_min_us * TICKS_PER_US + ((uint32_t)span * x + FULL_SCALE / 2) / FULL_SCALE;
  for (uint8_t channel = 1; channel <= PULSES; channel++) {
    if (settings.pulse_kinds[channel - 1] != PULSE_KIND_SERVO) continue;
    hw_pulse_servo(channel, width);
    if (c.tracing) trace(POINT_APPLIED, width, hw_ticks());
    return;
  }
}

static void count(uint16_t number) {
  uint16_t gap = number - c.number;
  if (c.packets && gap < 0x8000) c.lost += gap;
  c.number = number + 1;
  c.packets++;
}

static void apply(const Packet &p, uint32_t at) {
  bool lit = p.buttons & 1, was = life.loads & 1 << LOAD_LED;
  if (lit != was) led_set(lit);
  uint32_t applied = hw_ticks();
  outputs_control_packet();
  count(p.number);
  if (c.tracing) {
    trace(POINT_RECEIVED, p.number, at);
    if (lit != was) trace(POINT_APPLIED, lit, applied);
  }
  apply_servo(p.x);
}

static void fast_craft(void) {
  uint32_t at;
  if (!hw_radio_irq_take(&at)) {
    if (!hw_radio_irq_low()) return;
    at = hw_ticks();
  }
  // payload first, then the flag, then whether there is more: the order of the data sheet (section 9, RX_DR)
  Packet p;
  for (uint8_t n = 0; n < 3; n++) {
    uint8_t size = nrf_download(nrf_buffer);
    if (size == sizeof p) {
      memcpy(&p, nrf_buffer, sizeof p);
      apply(p, at);
    } else {
      relay_take(size);
    }
    nrf_clear_flags();
    if (nrf_read(NRF_FIFO_STATUS) & NRF_FIFO_RX_EMPTY) return;
  }
}

// ---------------------------------------------------------------- one turn

static void begin(void) {
  c.warming = false;
  if (c.craft) {
    nrf_listen();
  } else {
    nrf_sender();
    c.send_due = hw_ticks();
  }
}

void loop_fast(void) {
  if (!c.on || c.warming) return;
  if (c.craft) {
    fast_craft();
  } else {
    fast_hand();
  }
}

void loop_poll(void) {
  if (!c.on) return;
  if (c.warming) {
    if (!not_yet(c.due)) begin();
    return;
  }
  if (!c.craft) poll_hand();
}

// ---------------------------------------------------------------- requests

uint8_t on_loop_start(const Request &r) {
  const msg_loop_start &m = *(const msg_loop_start *)r.fields;
  if (settings.role > 1) return ERROR_ROLE;
  if (m.trace > 1) return ERROR_VALUE;
  if (probe_taken() & (USES_RADIO | USES_ADC)) return ERROR_BUSY;
  nrf_fixed_length(sizeof(Packet));
  if (!nrf_present() || nrf_apply()) return ERROR_PART;
  memset(&c, 0, sizeof c);
  c.craft = settings.role == 1;
  c.tracing = m.trace;
  c.x = c.y = CENTRE;
  c.applied_x = 0xFFFF;
  c.debounce = settings.debounce_us * TICKS_PER_US;
  c.interval = settings.send_interval_us * TICKS_PER_US;
  for (uint8_t i = 0; i < SWITCHES; i++) {
    Switch &s = c.switches[i];
    s.pin = settings.pins[FUNCTION_SWITCH1 + i];
    s.level = s.decided = s.pin == NO_PIN || hw_pin_read(s.pin);
    if (!c.craft) watch_function(FUNCTION_SWITCH1 + i, true);
  }
  watch_function(FUNCTION_LOOP_BACK, m.trace);
  uint32_t ignored;
  hw_radio_irq_take(&ignored);
  c.warming = true;
  c.due = hw_ticks() + NRF_START_MS * TICKS_PER_MS;
  c.on = true;
  if (c.craft) outputs_control_link(true);
  return HANDLED;
}

uint8_t on_loop_stop(const Request &r) {
  if (c.on) {
    c.on = false;
    outputs_control_link(false);
    watch_function(FUNCTION_SWITCH1, false);
    watch_function(FUNCTION_SWITCH2, false);
    watch_function(FUNCTION_LOOP_BACK, false);
    nrf_quiet();
  }
  msg_loop_stop_answer a = {c.packets, c.lost};
  return answer(r, &a, sizeof a);
}

uint8_t on_stick_set(const Request &r) {
  const msg_stick_set &m = *(const msg_stick_set *)r.fields;
  if (m.on > 1 || m.x > FULL_SCALE || m.y > FULL_SCALE) return ERROR_VALUE;
  if (settings.role == ROLE_GAUGE) {
    bool done = hw_level(settings.pins[FUNCTION_STICK_OUT], m.on ? (m.x + 2) >> 2 : 0);
    return done ? (uint8_t)HANDLED : (uint8_t)ERROR_PIN;
  }
  stick.on = m.on;
  stick.x = m.x;
  stick.y = m.y;
  return HANDLED;
}
