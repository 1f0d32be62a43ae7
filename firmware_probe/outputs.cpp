// SPDX-License-Identifier: MIT
#include "outputs.h"
#include <string.h>
#include "board.h"
#include "dispatch.h"
#include "frame.h"
#include "guard.h"
#include "handlers.h"
#include "life.h"
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

// The transceiver's lines and another pulse output cannot share a pin with this one. Everything else that could drive
// a pin is turned away from those of pulse outputs when it tries, see hw_pins.cpp.
static bool shared(uint8_t pin) {
  uint8_t users = (settings.pins[FUNCTION_RADIO_CE] == pin) + (settings.pins[FUNCTION_RADIO_CSN] == pin);
  for (uint8_t c = 1; c <= HW_PULSES; c++) users += pin_of(c) == pin;
  return users > 1;
}

static bool drivable(uint8_t channel) { return hw_pulse_possible(pin_of(channel)) && !shared(pin_of(channel)); }

// Where nothing is driven a pulse pin is held low, so that what hangs there sees no signal.
static void bind(uint8_t channel) {
  uint8_t pin = pin_of(channel);
  if (!drivable(channel)) return;
  if (settings.role == ROLE_CRAFT && kind_of(channel) != PULSE_KIND_NONE) {
    hw_pulse_bind(channel, pin, kind_of(channel) == PULSE_KIND_MOTOR);
  } else if (settings.role != 2) {
    hw_pin_output(pin, false);
  }
}

static uint8_t motor_channels(void) {
  uint8_t mask = 0;
  if (settings.role != ROLE_CRAFT) return 0;
  for (uint8_t c = 1; c <= HW_PULSES; c++) {
    if (kind_of(c) == PULSE_KIND_MOTOR && drivable(c)) mask |= 1 << (c - 1);
  }
  return mask;
}

void outputs_wire(void) {
  GuardRules rules = {settings.cap_permille, settings.slew_permille_s, settings.idle_us, settings.full_us,
                      settings.silence_ms};
  hw_pulse_unbind_all();
  for (uint8_t c = 1; c <= HW_PULSES; c++) bind(c);
  hw_pulse_frame(settings.frame_us * TICKS_PER_US);
  uint8_t held = hw_hold();
  guard.configure(rules, motor_channels(), hw_ticks_held());
  hw_release(held);
  life_load(LOAD_SERVO, false);
}

void outputs_start(void) {
  uint8_t held = hw_hold();
  guard.start(hw_ticks_held());
  hw_release(held);
  outputs_wire();
  life_load(LOAD_MOTOR_IDLE, motor_channels() != 0);
}

// ---------------------------------------------------------------- pulses

uint8_t on_pulse(const Request &r) {
  const msg_pulse &m = *(const msg_pulse *)r.fields;
  if (!channel_ok(m.channel)) return ERROR_VALUE;
  if (m.width_us && (m.width_us < SERVO_LEAST_US || m.width_us > SERVO_MOST_US)) return ERROR_VALUE;
  if (m.width_us >= settings.frame_us) return ERROR_VALUE;
  if (settings.role != ROLE_CRAFT) return ERROR_ROLE;
  if (kind_of(m.channel) == PULSE_KIND_MOTOR) return ERROR_GUARDED;
  if (kind_of(m.channel) == PULSE_KIND_NONE || !drivable(m.channel)) return ERROR_PIN;
  hw_pulse_servo(m.channel, m.width_us * TICKS_PER_US);
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
  if (settings.pins[FUNCTION_CAPTURE] != 0x10) return ERROR_PIN;
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
  guard.loop_alive(hw_ticks_held());
  hw_release(held);
}

void outputs_control_packet(void) {
  uint8_t held = hw_hold();
  guard.control_packet(hw_ticks_held());
  hw_release(held);
}

void outputs_control_link(bool on) {
  uint8_t held = hw_hold();
  guard.control_link(on);
  hw_release(held);
}

bool outputs_armed(void) { return guard.armed(); }

// Noise of the converter's last readings, the timer, and how often we were asked.
static uint32_t entropy(void) {
  static uint32_t pool;
  pool = (pool << 8 | pool >> 24) + hw_ticks() + supply_noise() + ((uint32_t)life.boots << 16);
  return pool;
}

uint8_t on_arm_challenge(const Request &r) {
  const msg_arm_challenge &m = *(const msg_arm_challenge *)r.fields;
  if (!channel_ok(m.channel) || m.radio > 1) return ERROR_VALUE;
  if (settings.role != ROLE_CRAFT) return ERROR_ROLE;
  if (kind_of(m.channel) != PULSE_KIND_MOTOR) return ERROR_PIN;
  load_switch(LOAD_MOTOR_IDLE, true, 0);
  uint32_t noise = entropy();
  uint8_t held = hw_hold();
  uint32_t nonce = guard.challenge(m.channel, m.radio, noise, hw_ticks_held());
  msg_arm_challenge_answer a = {nonce, guard.state()};
  hw_release(held);
  if (nonce == 0) return ERROR_GUARDED;
  return answer(r, &a, sizeof a);
}

uint8_t on_arm(const Request &r) {
  const msg_arm &m = *(const msg_arm *)r.fields;
  uint8_t held = hw_hold();
  guard.arm(m.channel, m.nonce, m.label, settings.label, hw_ticks_held());
  msg_arm_answer a = {guard.state()};
  hw_release(held);
  return answer(r, &a, sizeof a);
}

uint8_t on_throttle(const Request &r) {
  const msg_throttle &m = *(const msg_throttle *)r.fields;
  uint8_t held = hw_hold();
  guard.throttle(m.channel, m.permille, m.number, hw_ticks_held());
  msg_throttle_answer a = {guard.state(), guard.reason(), guard.width_us()};
  hw_release(held);
  return answer(r, &a, sizeof a);
}

uint8_t on_stop(const Request &r) {
  uint8_t held = hw_hold();
  guard.drop(GUARD_REASON_STOPPED, hw_ticks_held());
  msg_stop_answer a = {guard.state()};
  hw_release(held);
  return answer(r, &a, sizeof a);
}

static uint16_t to_ms(uint32_t ticks) {
  uint32_t ms = ticks / TICKS_PER_MS;
  return ms > 0xFFFF ? 0xFFFF : ms;
}

uint8_t on_guard_read(const Request &r) {
  uint8_t held = hw_hold();
  uint32_t now = hw_ticks_held(), age = guard.age(now), radio_age = guard.radio_age(now);
  msg_guard_read_answer a = {guard.state(), guard.reason(), guard.width_us(), settings.cap_permille,
                             settings.silence_ms, 0, 0};
  hw_release(held);
  a.age_ms = to_ms(age);
  a.radio_age_ms = to_ms(radio_age);
  return answer(r, &a, sizeof a);
}

static void poll_guard(void) {
  GuardChange c;
  uint8_t held = hw_hold();
  bool changed = guard.take_change(&c);
  hw_release(held);
  if (!changed) return;
  msg_guard_changed body = {c.state, c.reason, c.at, c.width_us};
  event_send(MSG_GUARD_CHANGED, &body, sizeof body);
}

// ---------------------------------------------------------------- loads

static bool transmitting, in_flight;
static uint32_t burst_from;

bool outputs_use_radio(void) { return transmitting; }

bool load_possible(uint8_t load) {
  if (load == LOAD_LED) return settings.pins[FUNCTION_LED] != NO_PIN;
  if (load == LOAD_TRANSMIT) return true;
  for (uint8_t c = 1; c <= HW_PULSES && settings.role == ROLE_CRAFT; c++) {
    if (kind_of(c) == (load == LOAD_SERVO ? PULSE_KIND_SERVO : PULSE_KIND_MOTOR)) return true;
  }
  return false;
}

static void servo_load(bool on, uint8_t percent) {
  uint16_t span = settings.servo_max_us - settings.servo_min_us;
  uint16_t width = settings.servo_min_us + (uint32_t)span * percent / 100;
  for (uint8_t c = 1; c <= HW_PULSES; c++) {
    if (kind_of(c) == PULSE_KIND_SERVO) hw_pulse_servo(c, on ? width * TICKS_PER_US : 0);
  }
}

static void transmit_load(bool on, uint8_t power) {
  if (transmitting) nrf_give_up();
  transmitting = on;
  in_flight = false;
  if (on) nrf_power(power);
  if (!on) nrf_power(settings.radio_power);
}

void load_switch(uint8_t load, bool on, uint8_t strength) {
  life_load(load, on);
  if (load == LOAD_TRANSMIT) transmit_load(on, strength);
  if (load == LOAD_SERVO) servo_load(on, strength);
  if (load == LOAD_MOTOR_IDLE) hw_pulse_silence_motors(!on);
  if (load == LOAD_LED) led_set(on);  // last: a droop takes its time right after it
}

uint8_t on_load(const Request &r) {
  const msg_load &m = *(const msg_load *)r.fields;
  if (m.load >= LOAD_COUNT || m.on > 1 || m.strength > 100) return ERROR_VALUE;
  if (m.load == LOAD_TRANSMIT && m.strength > 3) return ERROR_VALUE;
  if (!load_possible(m.load)) return ERROR_PIN;
  if (m.load == LOAD_MOTOR_IDLE && guard.armed()) return ERROR_GUARDED;
  if (m.load == LOAD_TRANSMIT && m.on && !transmitting) {
    if (probe_taken() & USES_RADIO) return ERROR_BUSY;
    if (nrf_apply()) return ERROR_PART;
  }
  load_switch(m.load, m.on, m.strength);
  return HANDLED;
}

// 32 bytes without acknowledgement, one burst after the other; a burst that says nothing is given up.
#define BURST_LIMIT (5 * TICKS_PER_MS)
static void poll_transmit(void) {
  if (!transmitting) return;
  uint32_t at, now = hw_ticks();
  bool over = hw_radio_irq_take(&at) || hw_radio_irq_low() || now - burst_from > BURST_LIMIT;
  if (in_flight && !over) return wake_at(burst_from + BURST_LIMIT);
  nrf_clear_flags();
  nrf_burst();
  burst_from = now;
  in_flight = true;
}

void outputs_poll(void) {
  poll_capture();
  poll_guard();
  poll_transmit();
}
