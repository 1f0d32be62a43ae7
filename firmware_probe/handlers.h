// SPDX-License-Identifier: MIT
// Every request, its length and its handler: the rows of the dispatch table, by module.
#pragma once
#include "dispatch.h"

#define ROW(message, size, tail, handler) {MSG_##message, size, tail, handler}

uint8_t on_identify(const Request &r);
uint8_t on_clock(const Request &r);
uint8_t on_restart(const Request &r);
uint8_t on_setting_read(const Request &r);
uint8_t on_setting_write(const Request &r);
uint8_t on_settings_save(const Request &r);
uint8_t on_settings_default(const Request &r);
uint8_t on_echo(const Request &r);
uint8_t on_vitals(const Request &r);
uint8_t on_forensics(const Request &r);
uint8_t on_pin(const Request &r);
uint8_t on_led(const Request &r);
#define HANDLERS_BOARD \
  ROW(IDENTIFY, 0, false, on_identify), ROW(CLOCK, 0, false, on_clock), ROW(RESTART, 0, false, on_restart), \
      ROW(SETTING_READ, sizeof(msg_setting_read), false, on_setting_read), \
      ROW(SETTING_WRITE, sizeof(msg_setting_write), true, on_setting_write), \
      ROW(SETTINGS_SAVE, 0, false, on_settings_save), ROW(SETTINGS_DEFAULT, 0, false, on_settings_default), \
      ROW(ECHO, 0, true, on_echo), ROW(VITALS, 0, false, on_vitals), ROW(FORENSICS, 0, false, on_forensics), \
      ROW(PIN, sizeof(msg_pin), false, on_pin), ROW(LED, sizeof(msg_led), false, on_led)

uint8_t on_radio_spi(const Request &r);
uint8_t on_radio_apply(const Request &r);
uint8_t on_radio_send(const Request &r);
uint8_t on_energy_scan(const Request &r);
uint8_t on_link_start(const Request &r);
uint8_t on_link_stop(const Request &r);
#define HANDLERS_RADIO \
  ROW(RADIO_SPI, 0, true, on_radio_spi), ROW(RADIO_APPLY, 0, false, on_radio_apply), \
      ROW(RADIO_SEND, sizeof(msg_radio_send), true, on_radio_send), \
      ROW(ENERGY_SCAN, sizeof(msg_energy_scan), false, on_energy_scan), \
      ROW(LINK_START, sizeof(msg_link_start), false, on_link_start), ROW(LINK_STOP, 0, false, on_link_stop)

uint8_t on_pulse(const Request &r);
uint8_t on_pulse_read(const Request &r);
uint8_t on_capture(const Request &r);
uint8_t on_arm_challenge(const Request &r);
uint8_t on_arm(const Request &r);
uint8_t on_throttle(const Request &r);
uint8_t on_stop(const Request &r);
uint8_t on_guard_read(const Request &r);
uint8_t on_load(const Request &r);
#define HANDLERS_OUTPUTS \
  ROW(PULSE, sizeof(msg_pulse), false, on_pulse), ROW(PULSE_READ, sizeof(msg_pulse_read), false, on_pulse_read), \
      ROW(CAPTURE, sizeof(msg_capture), false, on_capture), \
      ROW(ARM_CHALLENGE, sizeof(msg_arm_challenge), false, on_arm_challenge), \
      ROW(ARM, sizeof(msg_arm), false, on_arm), ROW(THROTTLE, sizeof(msg_throttle), false, on_throttle), \
      ROW(STOP, 0, false, on_stop), ROW(GUARD_READ, 0, false, on_guard_read), \
      ROW(LOAD, sizeof(msg_load), false, on_load)
