// SPDX-License-Identifier: MIT
#include "outputs.h"
#include <stddef.h>
#include <string.h>
#include "board.h"
#include "dispatch.h"
#include "frame.h"
#include "guard.h"
#include "handlers.h"
#include "life.h"
#include "measure.h"
#include "nrf24.h"
#include "probe.h"
#include "settings.h"
#include "supply.h"

#define ROLE_CRAFT 1
#define SERVO_LEAST_US 500
#define SERVO_MOST_US 2500

static bool channel_ok(uint8_t channel) { return channel >= 1 && channel <= HW_PULSES; }
static uint8_t kind_of(uint8_t channel) { return settings.pulse_kinds[channel - 1]; }
static uint8_t pin_of(uint8_t channel) { return settings.pins[FUNCTION_PULSE1 + channel - 1]; }

// ---------------------------------------------------------------- wiring

static bool is_motor(uint8_t channel) { return kind_of(channel) >= PULSE_KIND_MOTOR; }

// Two pulse outputs cannot share a pin. Everything else that could drive a pin is turned away from those of pulse
// outputs when it tries, see hw_pins.cpp.
static bool drivable(uint8_t channel) {
  uint8_t users = 0;
  for (uint8_t c = 1; c <= HW_PULSES; c++) users += pin_of(c) == pin_of(channel);
  return hw_pulse_possible(pin_of(channel)) && users == 1;
}

static bool declared(uint8_t channel) {
  return settings.role == ROLE_CRAFT && kind_of(channel) != PULSE_KIND_NONE && drivable(channel);
}

#define GUARD_NUMBERS (offsetof(GuardRules, full_us) + sizeof settings.full_us)
static_assert(offsetof(Settings, full_us) - offsetof(Settings, neutral_us) == offsetof(GuardRules, full_us) &&
              offsetof(Settings, idle_us) - offsetof(Settings, neutral_us) == offsetof(GuardRules, idle_us),
              "numbers of the guard in another order than the settings");

uint16_t guard_own_rest(uint8_t channel) { return settings.own_us[channel - 1]; }
uint16_t guard_own_full(uint8_t channel) { return settings.own_us[HW_PULSES + channel - 1]; }

// A declared output is held low as long as nothing is to move, so that what hangs there sees no signal.
void outputs_wire(void) {
  hw_pulse_unbind_all();
  GuardRules rules;
  memcpy(&rules, &settings.neutral_us, GUARD_NUMBERS);  // in the catalogue's order
  rules.motors = rules.reversible = rules.servos = 0;
  uint8_t bit = 1;
  for (uint8_t c = 1; c <= HW_PULSES; c++, bit <<= 1) {
    if (!declared(c)) continue;
    hw_pulse_bind(c, pin_of(c));
    if (kind_of(c) == PULSE_KIND_REVERSIBLE) rules.reversible |= bit;
    if (settings.confirmed & bit) (is_motor(c) ? rules.motors : rules.servos) |= bit;
  }
  hw_pulse_frame(settings.frame_us * TICKS_PER_US);
  hw_hold_ms();
  guard.configure(rules);
  hw_release_ms();
  life_load(LOAD_SERVO, false);
  life_load(LOAD_MOTOR_IDLE, rules.motors != 0);
}

void outputs_start(void) { guard.start(); }

static bool wiring(void) { return guard.wiring() && !hw_uart_diverted; }  // never for a request over the air

bool outputs_wiring(void) {
  hw_hold_ms();
  bool may = wiring();
  hw_release_ms();
  return may;
}

uint8_t on_output(const Request &r) {
  const msg_output &m = *(const msg_output *)r.fields;
  if (!channel_ok(m.channel) || m.act >= OUTPUT_ACT_COUNT) return ERROR_VALUE;
  if (!declared(m.channel)) return ERROR_PIN;
  if (m.act != OUTPUT_ACT_FORGET && !wiring()) return ERROR_GUARDED;
  if (m.act > OUTPUT_ACT_FORGET) {
    if (!guard.teach(m.channel, m.act)) return ERROR_GUARDED;
  } else if (m.act == OUTPUT_ACT_TRY) {
    guard.attempt(m.channel, !is_motor(m.channel));
  } else {
    bool on = m.act == OUTPUT_ACT_CONFIRM;
    if (on && !guard.attempted(m.channel)) return ERROR_GUARDED;
    uint8_t bit = 1 << (m.channel - 1);
    settings.confirmed |= bit;
    if (!on) settings.confirmed ^= bit;
    outputs_wire();
  }
  uint8_t confirmed = guard.motors() | guard.servos();
  return answer(r, &confirmed, 1);
}

// ---------------------------------------------------------------- pulses

bool outputs_servo(uint8_t channel, uint16_t ticks) { return guard.servo(channel, ticks); }

uint8_t on_pulse(const Request &r) {
  const msg_pulse &m = *(const msg_pulse *)r.fields;
  if (!channel_ok(m.channel)) return ERROR_VALUE;
  if (m.width_us && (m.width_us < SERVO_LEAST_US || m.width_us > SERVO_MOST_US)) return ERROR_VALUE;
  if (m.width_us >= settings.frame_us) return ERROR_VALUE;
  if (settings.role != ROLE_CRAFT) return ERROR_ROLE;
  if (is_motor(m.channel)) return ERROR_GUARDED;
  if (!declared(m.channel)) return ERROR_PIN;
  if (!outputs_servo(m.channel, m.width_us * TICKS_PER_US)) return ERROR_UNCONFIRMED;
  life_load(LOAD_SERVO, m.width_us != 0);
  return HANDLED;
}

uint8_t on_pulse_read(const Request &r) {
  const msg_pulse_read &m = *(const msg_pulse_read *)r.fields;
  if (!channel_ok(m.channel)) return ERROR_VALUE;
  msg_pulse_read_answer a = {hw_pulse_width(m.channel), (uint16_t)(settings.frame_us * TICKS_PER_US),
                             kind_of(m.channel)};
  return answer(r, &a, sizeof a);
}

uint8_t on_capture(const Request &r) {
  if (settings.pins[FUNCTION_CAPTURE] != CAPTURE_PIN) return ERROR_PIN;
  hw_capture(((const msg_capture *)r.fields)->on);
  return HANDLED;
}

static void poll_capture(void) {
  HwCapture c;
  while (hw_capture_take(&c)) {
    row_captured row = {c.rise, c.width};
    event_row(MSG_CAPTURED, nullptr, 0, &row, sizeof row);
  }
}

// ---------------------------------------------------------------- guard

void outputs_tick(uint32_t now) {
  guard.tick(now);
  life.guard = guard.state();
}

void outputs_loop_alive(void) {
  uint8_t held = hw_hold();
  guard.loop_alive();
  hw_release(held);
}

void outputs_control_packet(void) {
  uint8_t held = hw_hold();
  guard.control_packet();
  hw_release(held);
}

void outputs_control_link(bool on) {
  hw_hold_ms();
  guard.control_link(on);
  hw_release_ms();
}

bool outputs_resting(void) { return guard.state() == GUARD_STATE_IDLE; }

// Noise of the converter's last readings, the timer, and how often we were asked.
static uint32_t entropy(void) {
  static uint32_t pool;
  pool = (pool << 8 | pool >> 24) + hw_ticks() + supply_noise() + ((uint32_t)life.boots << 16);
  return pool;
}

uint8_t on_arm_challenge(const Request &r) {
  const msg_arm_challenge &m = *(const msg_arm_challenge *)r.fields;
  if (m.channel > HW_PULSES || m.radio > 1) return ERROR_VALUE;
  if (measure_droops()) return ERROR_BUSY;
  if (m.channel) {
    if (settings.role != ROLE_CRAFT) return ERROR_ROLE;
    if (!is_motor(m.channel) || !declared(m.channel)) return ERROR_PIN;
    if (!(guard.motors() >> (m.channel - 1) & 1)) return ERROR_UNCONFIRMED;
    life_load(LOAD_MOTOR_IDLE, true);
  }
  uint32_t noise = entropy();
  uint32_t nonce = guard.challenge(m.channel, m.radio, noise);
  msg_arm_challenge_answer a = {nonce, guard.state()};
  if (nonce == 0) return ERROR_GUARDED;
  return answer(r, &a, sizeof a);
}

uint8_t on_arm(const Request &r) {
  const msg_arm &m = *(const msg_arm *)r.fields;
  guard.arm(m, settings.label);
  msg_arm_answer a = {guard.state(), guard.cap()};
  if (a.state == GUARD_STATE_WIRING) outputs_wire();  // servos fall silent, too
  return answer(r, &a, sizeof a);
}

uint8_t on_throttle(const Request &r) {
  const msg_throttle &m = *(const msg_throttle *)r.fields;
  guard.throttle(m.channel, m.permille, m.number);
  msg_throttle_answer a = {guard.state(), guard.reason(), guard.width_us()};
  return answer(r, &a, sizeof a);
}

uint8_t on_stop(const Request &r) {
  guard.drop(GUARD_REASON_STOPPED);
  if (*r.fields) guard.quiet();
  msg_stop_answer a = {guard.state()};
  return answer(r, &a, sizeof a);
}

uint8_t on_guard_read(const Request &r) {
  msg_guard_read_answer a = {guard.state(), guard.reason(), guard.width_us(),
                             guard.armed() ? guard.cap() : settings.cap_permille, settings.silence_ms, guard.age(),
                             guard.radio_age(), (uint8_t)(guard.motors() | guard.servos()), guard.silent()};
  return answer(r, &a, sizeof a);
}

static void poll_guard(void) {
  GuardChange c;
  hw_hold_ms();
  bool changed = guard.take_change(&c);
  hw_release_ms();
  if (!changed) return;
  msg_guard_changed body = {c.state, c.reason, c.at, c.width_us};
  event_send(MSG_GUARD_CHANGED, &body, sizeof body);
}

// ---------------------------------------------------------------- loads

static bool transmitting, in_flight, holding;
static uint32_t burst_from;

bool outputs_use_radio(void) { return transmitting; }

bool load_possible(uint8_t load) {
  if (load == LOAD_LED) return settings.pins[FUNCTION_LED] != NO_PIN;
  if (load == LOAD_TRANSMIT) return true;
  return load == LOAD_SERVO ? guard.servos() : guard.motors();
}

static void servo_load(bool on, uint8_t percent) {
  uint16_t span = settings.servo_max_us - settings.servo_min_us;
  uint16_t width = settings.servo_min_us + (uint32_t)span * percent / 100;
  for (uint8_t c = 1; c <= HW_PULSES; c++) outputs_servo(c, on ? width * TICKS_PER_US : 0);
}

// The power is written in standby only (table 20), so not while a burst is on its way.
static void transmit_load(bool on, uint8_t power) {
  transmitting = on;
  nrf_power(on ? power : settings.radio_power);
}

// Whether a burst is on its way; no other one begins until this has been asked and denied.
static bool bursting(void) {
  holding = in_flight;
  return in_flight;
}

void load_switch(uint8_t load, bool on, uint8_t strength) {
  life_load(load, on);
  if (load == LOAD_TRANSMIT) transmit_load(on, strength);
  if (load == LOAD_SERVO) servo_load(on, strength);
  if (load == LOAD_MOTOR_IDLE) {
    hw_hold_ms();
    guard.pause(!on);
    hw_release_ms();
  }
  if (load == LOAD_LED) led_write(on);  // last: a droop takes its time right after it
}

uint8_t on_load(const Request &r) {
  const msg_load &m = *(const msg_load *)r.fields;
  if (m.load >= LOAD_COUNT || m.on > 1 || m.strength > 100) return ERROR_VALUE;
  if (m.load == LOAD_TRANSMIT && m.strength > 3) return ERROR_VALUE;
  if (!load_possible(m.load)) return ERROR_PIN;
  if (m.load == LOAD_MOTOR_IDLE && !outputs_resting()) return ERROR_GUARDED;
  if (m.load == LOAD_TRANSMIT && m.on && !transmitting) {
    if (probe_taken() & USES_RADIO) return ERROR_BUSY;
    if (nrf_apply()) return ERROR_PART;
  }
  if (m.load == LOAD_TRANSMIT && (nrf_starting() || bursting())) return AGAIN;
  load_switch(m.load, m.on, m.strength);
  return HANDLED;
}

// 32 bytes without acknowledgement, one burst after the other; a burst that says nothing is given up.
#define BURST_LIMIT (5 * TICKS_PER_MS)
static void poll_transmit(void) {
  if (!transmitting) return;
  uint32_t at, now = hw_ticks();
  if (in_flight && !nrf_event(&at) && now - burst_from <= BURST_LIMIT) return wake_at(burst_from + BURST_LIMIT);
  nrf_give_up();
  in_flight = !holding;
  if (holding) return;
  nrf_burst();
  nrf_expect();
  burst_from = now;
}

void outputs_poll(void) {
  poll_capture();
  if (GAUGE) return;
  poll_guard();
  poll_transmit();
}
