// SPDX-License-Identifier: MIT
// What a sketch with the probe in it says of itself. Settings live in RAM only: the sketch's EEPROM is its own.
#include <string.h>
#include "frame.h"
#include "handlers.h"
#include "image.h"
#include "mark_parts.h"
#include "probe.h"
#include "probe_mark.h"
#include "settings.h"

uint8_t on_identify(const Request &r) {
  msg_identify_answer a;
  memset(&a, 0, sizeof a);
  a.protocol = PROTOCOL_VERSION;
  a.firmware = OWN_SKETCH | MARKS_VERSION;
  a.image_crc = image_crc();
  a.role = settings.role;
  memcpy(a.label, settings.label, sizeof a.label);
  a.clock_hz = hw_clock_hz();
  a.cause = RESET_CAUSE_UNKNOWN;
  a.cause_from = CAUSE_FROM_NOTHING;
  a.stack_free = hw_stack_free();
  a.settings_ok = 1;
  hw_signature(a.signature);
  a.clock_ok = 1;  // the sketch's own business
  hw_fuses(a.fuses);
  answer(r, &a, sizeof a);
  return ANSWERED;
}

static void send_boot(void) {
  msg_boot b;
  memset(&b, 0, sizeof b);
  b.protocol = PROTOCOL_VERSION;
  b.firmware = OWN_SKETCH | MARKS_VERSION;
  b.role = settings.role;
  memcpy(b.label, settings.label, sizeof b.label);
  b.cause = RESET_CAUSE_UNKNOWN;
  b.cause_from = CAUSE_FROM_NOTHING;
  event_send(MSG_BOOT, &b, sizeof b);
}

void probe_mark_begin(uint8_t role, const char *label) {
  mark_paint_stack();
  mark_ticks_start();
  settings_defaults();
  settings.role = role;
  strncpy(settings.label, label, sizeof settings.label);
  hw_uart_start(0);
  send_boot();
}

// Supply and transceiver are the sketch's business: 0 means that nothing is known of them.
uint8_t on_vitals(const Request &r) {
  msg_vitals_answer a;
  memset(&a, 0, sizeof a);
  a.stack_free = hw_stack_free();
  a.frames_bad = frame_bad();
  a.overruns = hw_uart_overruns();
  a.events_dropped = events_dropped();
  answer(r, &a, sizeof a);
  return ANSWERED;
}

// Pins are written down, not set up: what a pin does is the sketch's business.
uint8_t on_setting_write(const Request &r) {
  const msg_setting_write &m = *(const msg_setting_write *)r.fields;
  uint8_t error = settings_write(m.key, r.fields + sizeof m, r.size - sizeof m, true);
  return error == ERROR_UNKNOWN ? (uint8_t)ERROR_VALUE : error;
}

uint8_t on_settings_save(const Request &r) {
  msg_settings_save_answer a = {0};
  answer(r, &a, sizeof a);
  return ANSWERED;
}
