// SPDX-License-Identifier: MIT
// Every request, its length and its handler: the rows of the dispatch table, by module.
#pragma once
#include "dispatch.h"
#include "probe.h"

// rules: what must be free for it, and whether bytes may follow the fields
#define ROW(message, size, rules, handler) {MSG_##message, size, rules, handler}

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
uint8_t on_look(const Request &r);
#define HANDLERS_BOARD \
  ROW(IDENTIFY, 0, 0, on_identify), ROW(CLOCK, 0, 0, on_clock), ROW(RESTART, 0, 0, on_restart), \
      ROW(SETTING_READ, sizeof(msg_setting_read), 0, on_setting_read), \
      ROW(SETTING_WRITE, sizeof(msg_setting_write), TAIL, on_setting_write), \
      ROW(SETTINGS_SAVE, 0, 0, on_settings_save), ROW(SETTINGS_DEFAULT, 0, 0, on_settings_default), \
      ROW(ECHO, 0, TAIL, on_echo), ROW(VITALS, 0, 0, on_vitals), ROW(FORENSICS, 0, 0, on_forensics), \
      ROW(PIN, sizeof(msg_pin), 0, on_pin), ROW(LED, sizeof(msg_led), 0, on_led), \
      ROW(LOOK, sizeof(msg_look), USES_ADC, HW_WHOLE ? on_look : unknown)

uint8_t on_radio_spi(const Request &r);
uint8_t on_radio_apply(const Request &r);
uint8_t on_radio_send(const Request &r);
uint8_t on_energy_scan(const Request &r);
uint8_t on_link_start(const Request &r);
uint8_t on_link_stop(const Request &r);
#define HANDLERS_RADIO \
  ROW(RADIO_SPI, 0, USES_RADIO | TAIL, on_radio_spi), ROW(RADIO_APPLY, 0, USES_RADIO, on_radio_apply), \
      ROW(RADIO_SEND, sizeof(msg_radio_send), USES_RADIO | TAIL, on_radio_send), \
      ROW(ENERGY_SCAN, sizeof(msg_energy_scan), USES_RADIO, on_energy_scan), \
      ROW(LINK_START, sizeof(msg_link_start), USES_RADIO, on_link_start), ROW(LINK_STOP, 0, 0, on_link_stop)

uint8_t on_pulse(const Request &r);
uint8_t on_pulse_read(const Request &r);
uint8_t on_capture(const Request &r);
uint8_t on_arm_challenge(const Request &r);
uint8_t on_arm(const Request &r);
uint8_t on_throttle(const Request &r);
uint8_t on_stop(const Request &r);
uint8_t on_guard_read(const Request &r);
uint8_t on_output(const Request &r);
uint8_t on_load(const Request &r);
#define HANDLERS_OUTPUTS \
  ROW(PULSE, sizeof(msg_pulse), 0, on_pulse), ROW(PULSE_READ, sizeof(msg_pulse_read), 0, on_pulse_read), \
      ROW(CAPTURE, sizeof(msg_capture), 0, on_capture), \
      ROW(ARM_CHALLENGE, sizeof(msg_arm_challenge), 0, on_arm_challenge), \
      ROW(ARM, sizeof(msg_arm), 0, on_arm), ROW(THROTTLE, sizeof(msg_throttle), 0, on_throttle), \
      ROW(STOP, sizeof(msg_stop), 0, on_stop), ROW(GUARD_READ, 0, 0, on_guard_read), \
      ROW(OUTPUT, sizeof(msg_output), 0, on_output), \
      ROW(LOAD, sizeof(msg_load), 0, on_load)

// all that a gauge needs beside the first table
#define HANDLERS_GAUGE \
  ROW(CAPTURE, sizeof(msg_capture), 0, on_capture), ROW(ADC, sizeof(msg_adc), USES_ADC, on_adc), \
      ROW(WATCH, sizeof(msg_watch), 0, on_watch), ROW(STICK_SET, sizeof(msg_stick_set), 0, on_stick_set)

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
  ROW(ADC, sizeof(msg_adc), USES_ADC, on_adc), ROW(DROOP, sizeof(msg_droop), USES_ADC, on_droop), \
      ROW(WATCH, sizeof(msg_watch), 0, on_watch), \
      ROW(STICK_STREAM, sizeof(msg_stick_stream), USES_ADC, on_stick_stream), \
      ROW(SELF_STIMULUS, sizeof(msg_self_stimulus), 0, on_self_stimulus), \
      ROW(LOOP_START, sizeof(msg_loop_start), USES_RADIO | USES_ADC, on_loop_start), ROW(LOOP_STOP, 0, 0, on_loop_stop), \
      ROW(STICK_SET, sizeof(msg_stick_set), 0, on_stick_set), ROW(TWI_SCAN, sizeof(msg_twi_scan), USES_TWI, on_twi_scan), \
      ROW(TWI_READ, sizeof(msg_twi_read), USES_TWI, on_twi_read), \
      ROW(TWI_WRITE, sizeof(msg_twi_write), USES_TWI | TAIL, on_twi_write), \
      ROW(IMU_STREAM, sizeof(msg_imu_stream), USES_TWI, HW_WHOLE ? on_imu_stream : unknown)
