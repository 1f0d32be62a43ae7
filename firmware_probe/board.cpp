// SPDX-License-Identifier: MIT
#include "board.h"
#include <string.h>
#include "dispatch.h"
#include "frame.h"
#include "handlers.h"
#include "image.h"
#include "life.h"
#include "nrf24.h"
#include "outputs.h"
#include "probe.h"
#include "settings.h"
#include "supply.h"

// ---------------------------------------------------------------- pins

enum PinUse { PIN_LOOSE, PIN_OUT_LOW, PIN_LED, PIN_SWITCH, PIN_IN };
// what a function's pin is set to; functions that are not here are set up by their own modules
static const uint8_t uses[][2] HW_FLASH = {
    {FUNCTION_LED, PIN_LED},        {FUNCTION_SWITCH1, PIN_SWITCH}, {FUNCTION_SWITCH2, PIN_SWITCH},
    {FUNCTION_RADIO_IRQ, PIN_SWITCH}, {FUNCTION_CAPTURE, PIN_IN},   {FUNCTION_LOOP_BACK, PIN_IN},
    {FUNCTION_STIMULUS, PIN_IN},    {FUNCTION_WATCH1, PIN_IN},      {FUNCTION_WATCH2, PIN_IN},
    {FUNCTION_WATCH3, PIN_IN},      {FUNCTION_RESET_WATCH1, PIN_IN}, {FUNCTION_RESET_WATCH2, PIN_IN},
};

static void set_use(uint8_t pin, uint8_t use) {
  if (pin == NO_PIN) return;
  if (use == PIN_LED) hw_pin_output(pin, settings.led_active_low);
  if (use == PIN_SWITCH) hw_pin_input(pin, true);
  if (use == PIN_IN) hw_pin_input(pin, false);
}

void board_wire(void) {
  hw_pulse_unbind_all();
  for (uint8_t i = 0; i < sizeof uses / 2; i++) {
    uint8_t row[2];
    hw_flash_read(row, uses[i], 2);
    set_use(settings.pins[row[0]], row[1]);
  }
  hw_spi_bind(settings.pins[FUNCTION_RADIO_CSN], settings.pins[FUNCTION_RADIO_CE]);
  hw_radio_irq_bind(settings.pins[FUNCTION_RADIO_IRQ]);
  outputs_wire();
}

uint8_t on_pin(const Request &r) {
  const msg_pin &m = *(const msg_pin *)r.fields;
  if (m.function >= FUNCTION_COUNT || m.mode > 3) return ERROR_VALUE;
  uint8_t pin = settings.pins[m.function];
  bool pulse = m.function >= FUNCTION_PULSE1 && m.function <= FUNCTION_PULSE6;
  if (!hw_pin_exists(pin) || pulse) return ERROR_PIN;
  if (m.mode < 2) {
    hw_pin_input(pin, m.mode);
  } else {
    hw_pin_output(pin, m.mode == 3);
  }
  hw_wait_us(5);  // a weak pull-up needs that long to lift a line of 50 pF
  msg_pin_answer a = {hw_pin_read(pin)};
  return answer(r, &a, sizeof a);
}

// ---------------------------------------------------------------- LED

static uint8_t blinks_left;
static bool lit;
static uint16_t blink_on_ms, blink_off_ms;
static uint32_t blink_due;  // in milliseconds since the start

void led_set(bool on) {
  life_load(LOAD_LED, on);
  hw_pin_write(settings.pins[FUNCTION_LED], on != (settings.led_active_low != 0));
}

bool led_busy(void) { return blinks_left != 0; }

uint8_t on_led(const Request &r) {
  const msg_led &m = *(const msg_led *)r.fields;
  if (settings.pins[FUNCTION_LED] == NO_PIN) return ERROR_PIN;
  if (m.blinks && m.blinks != 255 && (m.on_ms == 0 || m.off_ms == 0)) return ERROR_VALUE;
  blinks_left = m.blinks == 255 ? 0 : m.blinks;
  lit = m.blinks != 0;
  blink_on_ms = m.on_ms;
  blink_off_ms = m.off_ms;
  blink_due = hw_ms() + m.on_ms;
  led_set(lit);
  return HANDLED;
}

static void poll_led(void) {
  if (!blinks_left || (int32_t)(hw_ms() - blink_due) < 0) return;
  if (!lit && --blinks_left == 0) {
    send_done(MSG_LED, 0, 0);
    return;
  }
  lit = !lit;
  blink_due += lit ? blink_on_ms : blink_off_ms;
  led_set(lit);
}

// ---------------------------------------------------------------- who and what

uint8_t on_identify(const Request &r) {
  msg_identify_answer a;
  a.protocol = PROTOCOL_VERSION;
  a.firmware = FIRMWARE_VERSION;
  a.image_crc = image_crc();
  a.role = settings.role;
  memcpy(a.label, settings.label, sizeof a.label);
  a.clock_hz = hw_clock_hz();
  a.boot_count = life.boots;
  a.cause = start.cause;
  a.mcusr = start.mcusr;
  a.cause_from = start.cause_from;
  a.stack_free = hw_stack_free();
  a.settings_ok = settings_good();
  hw_signature(a.signature);
  return answer(r, &a, sizeof a);
}

uint8_t on_vitals(const Request &r) {
  msg_vitals_answer a;
  a.vcc_mv = supply_mv();
  a.lowest_vcc_mv = life.lowest_vcc_mv;
  a.stack_free = hw_stack_free();
  a.frames_bad = frame_bad();
  a.overruns = hw_uart_overruns();
  a.events_dropped = events_dropped();
  a.radio_ok = nrf_good();
  a.radio_losses = life.radio_losses;
  a.guard = life.guard;
  a.late_us = probe_late_us();
  return answer(r, &a, sizeof a);
}

uint8_t on_forensics(const Request &r) {
  msg_forensics_answer a;
  a.boot_count = life.boots;
  a.cause = start.cause;
  a.mcusr = start.mcusr;
  a.cause_from = start.cause_from;
  a.ram_survived = start.survived;
  a.uptime_ms = start.before.uptime_ms;
  a.loads = start.before.loads;
  a.lowest_vcc_mv = start.before.lowest_vcc_mv;
  a.radio_losses = start.before.radio_losses;
  a.guard = start.before.guard;
  return answer(r, &a, sizeof a);
}

void send_boot(void) {
  msg_boot b;
  b.protocol = PROTOCOL_VERSION;
  b.firmware = FIRMWARE_VERSION;
  b.role = settings.role;
  memcpy(b.label, settings.label, sizeof b.label);
  b.cause = start.cause;
  b.mcusr = start.mcusr;
  b.cause_from = start.cause_from;
  b.boot_count = life.boots;
  b.ram_survived = start.survived;
  b.uptime_ms = start.before.uptime_ms;
  b.loads = start.before.loads;
  b.lowest_vcc_mv = start.before.lowest_vcc_mv;
  event_send(MSG_BOOT, &b, sizeof b);
}

static bool restarting;

uint8_t on_restart(const Request &) {
  life.intent = INTENT_REQUESTED;
  restarting = true;
  return HANDLED;
}

// ---------------------------------------------------------------- settings over the wire

static bool saving;
static Later save_answer;

static bool is_wiring(uint8_t key) { return key >= SETTING_PIN_KEYS || key == 0; }  // 0 is the role

// Whatever the guard goes by: changing it disarms.
static bool is_guarded(uint8_t key) { return key >= 11 && key <= 16; }  // silence_ms to frame_us

uint8_t on_setting_write(const Request &r) {
  const msg_setting_write &m = *(const msg_setting_write *)r.fields;
  uint8_t error = settings_write(m.key, r.fields + sizeof m, r.size - sizeof m);
  if (error) return error == ERROR_UNKNOWN ? (uint8_t)ERROR_VALUE : error;
  if (is_wiring(m.key)) {
    board_wire();
  } else if (is_guarded(m.key)) {
    outputs_wire();
  }
  return HANDLED;
}

uint8_t on_settings_default(const Request &) {
  settings_defaults();
  board_wire();
  return HANDLED;
}

uint8_t on_settings_save(const Request &r) {
  if (saving) return ERROR_BUSY;
  saving = true;
  save_answer = later(r);
  settings_save_begin();
  return ANSWERED;
}

static void poll_save(void) {
  if (!saving || !settings_save_step()) return;
  saving = false;
  msg_settings_save_answer a = {settings_save_written()};
  answer_later(save_answer, &a, sizeof a);
}

// A life that has proved long has its count stored; a storm of resets so costs no EEPROM cycles.
#define LONG_LIFE_MS 10000
static void poll_boots(void) {
  static bool stored;
  if (!saving) boots_store_step();
  if (stored || hw_ms() < LONG_LIFE_MS) return;
  stored = true;
  if (boots_load() != life.boots) boots_store_begin(life.boots);
}

void board_start(void) {
  settings_load();
  outputs_start();
  board_wire();
}

void board_poll(void) {
  poll_led();
  poll_save();
  poll_boots();
  if (!(probe_taken() & USES_RADIO) && !image_step()) wake_at(hw_ticks());
  if (restarting && hw_uart_sent()) hw_restart();
}
