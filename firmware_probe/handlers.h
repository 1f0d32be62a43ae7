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

uint8_t on_adc(const Request &r);
uint8_t on_droop(const Request &r);
uint8_t on_watch(const Request &r);
uint8_t on_stick_stream(const Request &r);
uint8_t on_self_stimulus(const Request &r);
uint8_t on_loop_start(const Request &r);
uint8_t on_loop_stop(const Request &r);
uint8_t on_stick_set(const Request &r);
uint8_t on_twi_scan(const Request &r);
uint8_t on_twi_read(const Request &r);
uint8_t on_twi_write(const Request &r);
uint8_t on_imu_stream(const Request &r);
#define HANDLERS_MEASURING \
  ROW(ADC, sizeof(msg_adc), false, on_adc), ROW(DROOP, sizeof(msg_droop), false, on_droop), \
      ROW(WATCH, sizeof(msg_watch), false, on_watch), \
      ROW(STICK_STREAM, sizeof(msg_stick_stream), false, on_stick_stream), \
      ROW(SELF_STIMULUS, sizeof(msg_self_stimulus), false, on_self_stimulus), \
      ROW(LOOP_START, sizeof(msg_loop_start), false, on_loop_start), ROW(LOOP_STOP, 0, false, on_loop_stop), \
      ROW(STICK_SET, sizeof(msg_stick_set), false, on_stick_set), ROW(TWI_SCAN, 0, false, on_twi_scan), \
      ROW(TWI_READ, sizeof(msg_twi_read), false, on_twi_read), \
      ROW(TWI_WRITE, sizeof(msg_twi_write), true, on_twi_write), \
      ROW(IMU_STREAM, sizeof(msg_imu_stream), false, on_imu_stream)
