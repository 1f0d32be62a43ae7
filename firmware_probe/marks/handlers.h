// SPDX-License-Identifier: MIT
// The requests that a sketch with the probe in it answers; others are refused as unknown. Takes the place of the
// probe's own table in this library.
#pragma once
#include "dispatch.h"

#define ROW(message, size, rules, handler) {MSG_##message, size, rules, handler}

uint8_t on_identify(const Request &r);
uint8_t on_clock(const Request &r);
uint8_t on_setting_read(const Request &r);
uint8_t on_setting_write(const Request &r);
uint8_t on_settings_save(const Request &r);
uint8_t on_echo(const Request &r);
uint8_t on_vitals(const Request &r);
#define HANDLERS_BOARD \
  ROW(IDENTIFY, 0, 0, on_identify), ROW(CLOCK, 0, 0, on_clock), \
      ROW(SETTING_READ, sizeof(msg_setting_read), 0, on_setting_read), \
      ROW(SETTING_WRITE, sizeof(msg_setting_write), TAIL, on_setting_write), \
      ROW(SETTINGS_SAVE, 0, 0, on_settings_save), ROW(ECHO, 0, TAIL, on_echo), ROW(VITALS, 0, 0, on_vitals)

uint8_t on_borrowed_apply(const Request &r);
uint8_t on_borrowed_link(const Request &r);
uint8_t on_link_start(const Request &r);  // of the link test itself
uint8_t on_link_stop(const Request &r);
#define HANDLERS_RADIO \
  ROW(RADIO_APPLY, 0, 0, on_borrowed_apply), \
      ROW(LINK_START, sizeof(msg_link_start), USES_RADIO, on_borrowed_link), ROW(LINK_STOP, 0, 0, on_link_stop)

uint8_t on_pulse_read(const Request &r);
uint8_t on_capture(const Request &r);
#define HANDLERS_OUTPUTS \
  ROW(PULSE_READ, sizeof(msg_pulse_read), 0, on_pulse_read), \
      ROW(CAPTURE, sizeof(msg_capture), 0, on_capture)

uint8_t on_self_stimulus(const Request &r);
uint8_t on_loop_start(const Request &r);
uint8_t on_loop_stop(const Request &r);
uint8_t on_stick_set(const Request &r);
#define HANDLERS_MEASURING \
  ROW(SELF_STIMULUS, sizeof(msg_self_stimulus), 0, on_self_stimulus), \
      ROW(LOOP_START, sizeof(msg_loop_start), 0, on_loop_start), ROW(LOOP_STOP, 0, 0, on_loop_stop), \
      ROW(STICK_SET, sizeof(msg_stick_set), 0, on_stick_set)
