// SPDX-License-Identifier: MIT
#include "board.h"
#include <stddef.h>
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
#if GAUGE
    {FUNCTION_STIMULUS, PIN_IN},    {FUNCTION_WATCH1, PIN_IN},      {FUNCTION_WATCH2, PIN_IN},
    {FUNCTION_WATCH3, PIN_IN},      {FUNCTION_RESET_WATCH1, PIN_IN}, {FUNCTION_RESET_WATCH2, PIN_IN},
#endif
};

// up: a switch to ground is held by a pull-up, one to the supply by a resistor on the board
static void set_use(uint8_t pin, uint8_t use, bool up) {
  if (pin == NO_PIN) return;
  if (use == PIN_LED) hw_pin_output(pin, settings.led_active_low);
  if (use == PIN_SWITCH) hw_pin_input(pin, up);
  if (use == PIN_IN) hw_pin_input(pin, false);
}

void board_wire(void) {
  if (!GAUGE) outputs_wire();  // first: what else has one of their pins is turned away
  for (uint8_t i = 0; i < sizeof uses / 2; i++) {
    uint8_t row[2];
    hw_flash_read(row, uses[i], 2);
    set_use(settings.pins[row[0]], row[1], !(row[0] <= FUNCTION_SWITCH2 && settings.switch_to_supply & row[0]));
  }
  if (GAUGE) return;
  hw_spi_bind(settings.pins[FUNCTION_RADIO_CSN], settings.pins[FUNCTION_RADIO_CE], settings.radio_spi_slow);
  hw_radio_irq_bind(settings.pins[FUNCTION_RADIO_IRQ]);
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
  in_place<msg_pin_answer>(r).level = hw_pin_read(pin);
  return answer_in_place(r, sizeof(msg_pin_answer));
}

#define LEAK_US 20  // a weak pull-up lifts 200 pF meanwhile

// Two conversions: what the converter held before shows in the first where nothing drives the pin.
static uint16_t converted(uint8_t channel) {
  hw_adc_select(channel, hw_adc_precise());
  for (uint8_t n = 0; n < 2; n++) {
    hw_adc_begin();
    while (!hw_adc_done()) {
    }
  }
  return hw_adc_value();
}

static bool settled(uint8_t pin, bool pull_up) {
  hw_pin_input(pin, pull_up);
  hw_wait_us(LEAK_US);
  return hw_pin_read(pin);
}

uint8_t on_look(const Request &r) {
  const msg_look &m = *(const msg_look *)r.fields;
  uint8_t pin = m.pin, mode = m.mode, channel = hw_adc_channel(pin);
  if (mode > 3) return ERROR_VALUE;
  if (channel == HW_ADC_NONE && !hw_pin_exists(pin)) return ERROR_PIN;
  msg_look_answer &a = in_place<msg_look_answer>(r);
  bool high = mode & 1;
  a.reading = 0xFFFF;
  if (mode < 2) {
    a.level = settled(pin, high);
  } else {  // neither held high nor held low by anything
    if (settled(pin, false) || !settled(pin, true)) return ERROR_GUARDED;
    hw_pin_output(pin, high);
    hw_wait_us(5);
    a.level = hw_pin_read(pin);
    hw_pin_input(pin, false);
  }
  if (channel != HW_ADC_NONE) a.reading = converted(channel);
  return answer_in_place(r, sizeof a);
}

// ---------------------------------------------------------------- LED

static uint8_t blinks_left;
static bool lit;
static uint16_t blink_ms[2];  // dark, lit
static uint16_t blink_from;

void led_write(bool on) { hw_pin_write(settings.pins[FUNCTION_LED], on ^ settings.led_active_low); }

void led_set(bool on) {
  led_write(on);
  life_load(LOAD_LED, on);
}

bool led_busy(void) { return blinks_left != 0; }

uint8_t on_led(const Request &r) {
  const msg_led &m = *(const msg_led *)r.fields;
  if (settings.pins[FUNCTION_LED] == NO_PIN) return ERROR_PIN;
  if (m.blinks && m.blinks != 255 && (m.on_ms == 0 || m.off_ms == 0)) return ERROR_VALUE;
  blinks_left = m.blinks == 255 ? 0 : m.blinks;
  lit = m.blinks != 0;
  blink_ms[0] = m.off_ms;
  blink_ms[1] = m.on_ms;
  blink_from = hw_ms();
  led_set(lit);
  return HANDLED;
}

static void poll_led(void) {
  if (!blinks_left || (uint16_t)(hw_ms() - blink_from) < blink_ms[lit]) return;
  if (!lit && --blinks_left == 0) {
    send_done(MSG_LED, 0, 0);
    return;
  }
  blink_from += blink_ms[lit];
  lit = !lit;
  led_set(lit);
}

// ---------------------------------------------------------------- who and what

// Both begin alike: protocol, firmware, role, label, then why this life began.
static_assert(offsetof(msg_identify_answer, boot_count) == offsetof(msg_boot, boot_count), "heads differ");
static void fill_head(void *message, uint8_t size) {
  msg_boot &head = *(msg_boot *)message;
  head.protocol = PROTOCOL_VERSION;
  head.firmware = FIRMWARE_VERSION;
  memcpy(&head.role, &settings, sizeof head.role + sizeof head.label);
  memcpy(&head.cause, &origin, size - offsetof(msg_boot, cause));
}

uint8_t on_identify(const Request &r) {
  msg_identify_answer &a = in_place<msg_identify_answer>(r);
  fill_head(&a, offsetof(msg_identify_answer, image_crc));
  a.image_crc = image_crc();
  a.clock_hz = hw_clock_hz();
  a.stack_free = hw_stack_free();
  a.settings_ok = settings_good();
  hw_signature(a.signature);
  a.clock_ok = hw_clock_right;
  a.image = GAUGE;
  hw_fuses(a.fuses);
  return answer_in_place(r, sizeof a);
}

uint8_t on_vitals(const Request &r) {
  msg_vitals_answer &a = in_place<msg_vitals_answer>(r);
  a.vcc_mv = supply_mv();
  a.lowest_vcc_mv = life.lowest_vcc_mv;
  a.stack_free = hw_stack_free();
  a.frames_bad = frame_bad();
  a.overruns = hw_uart_overruns();
  a.events_dropped = events_dropped();
  a.radio_ok = !GAUGE && nrf_good();
  a.radio_losses = life.radio_losses;
  a.guard = life.guard;
  a.late_us = probe_late_us();
  return answer_in_place(r, sizeof a);
}

uint8_t on_forensics(const Request &r) { return answer(r, &origin, sizeof origin); }

void send_boot(void) {
  msg_boot b;
  fill_head(&b, sizeof b);
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

// Whatever pins and pulses go by; 0 is the role, 28 neutral_us, 41 radio_spi_slow, 42 switch_to_supply, from 48 on widths and pins.
static bool is_wiring(uint8_t key) { return key == 0 || (key >= 11 && key <= 16) || key == 28 || key >= 41; }

uint8_t on_setting_write(const Request &r) {
  const msg_setting_write &m = *(const msg_setting_write *)r.fields;
  uint8_t error = settings_write(m.key, r.fields + sizeof m, r.size - sizeof m, GAUGE || outputs_wiring());
  if (error) return error == ERROR_UNKNOWN ? (uint8_t)ERROR_VALUE : error;
  if (is_wiring(m.key)) board_wire();
  return HANDLED;
}

uint8_t on_settings_default(const Request &) {
  if (!GAUGE && !outputs_wiring()) return ERROR_GUARDED;
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
  if (!GAUGE) outputs_start();
  board_wire();  // once: a train that is begun twice gives a stump of a pulse
}

void board_poll(void) {
  poll_led();
  poll_save();
  poll_boots();
  if (!(probe_taken() & USES_RADIO) && !image_step()) wake_at(hw_ticks());
  if (restarting && hw_uart_sent()) hw_restart(settings.loader_loops);
}
