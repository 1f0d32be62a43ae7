// Generated from benchctl/wire/catalogue.py by `make catalogue`; do not edit.
#pragma once
#include <stdint.h>

#define PROTOCOL_VERSION 3
#define ANSWER_BIT 0x80
#define NO_PIN 0xFF
#define MAX_BODY 100
#define MAX_FRAME 103

enum Error {
  ERROR_UNKNOWN = 1,
  ERROR_LENGTH = 2,
  ERROR_VALUE = 3,
  ERROR_PIN = 4,
  ERROR_BUSY = 5,
  ERROR_GUARDED = 6,
  ERROR_PART = 7,
  ERROR_ROLE = 8,
  ERROR_UNCONFIRMED = 9,
};
#define ERROR_COUNT 10

enum ResetCause {
  RESET_CAUSE_UNKNOWN = 0,
  RESET_CAUSE_POWER_ON = 1,
  RESET_CAUSE_EXTERNAL = 2,
  RESET_CAUSE_BROWN_OUT = 3,
  RESET_CAUSE_WATCHDOG = 4,
  RESET_CAUSE_REQUESTED = 5,
  RESET_CAUSE_STACK = 6,
};
#define RESET_CAUSE_COUNT 7

enum CauseFrom {
  CAUSE_FROM_FLAGS = 0,
  CAUSE_FROM_LOADER = 1,
  CAUSE_FROM_INFERRED = 2,
  CAUSE_FROM_NOTHING = 3,
};
#define CAUSE_FROM_COUNT 4

enum Function {
  FUNCTION_LED = 0,
  FUNCTION_SWITCH1 = 1,
  FUNCTION_SWITCH2 = 2,
  FUNCTION_JOY_X = 3,
  FUNCTION_JOY_Y = 4,
  FUNCTION_PULSE1 = 5,
  FUNCTION_PULSE2 = 6,
  FUNCTION_PULSE3 = 7,
  FUNCTION_PULSE4 = 8,
  FUNCTION_PULSE5 = 9,
  FUNCTION_PULSE6 = 10,
  FUNCTION_RADIO_CE = 11,
  FUNCTION_RADIO_CSN = 12,
  FUNCTION_RADIO_IRQ = 13,
  FUNCTION_SENSE_RAIL = 14,
  FUNCTION_CAPTURE = 15,
  FUNCTION_LOOP_BACK = 16,
  FUNCTION_STIMULUS = 17,
  FUNCTION_STICK_OUT = 18,
  FUNCTION_WATCH1 = 19,
  FUNCTION_WATCH2 = 20,
  FUNCTION_WATCH3 = 21,
  FUNCTION_RESET_WATCH1 = 22,
  FUNCTION_RESET_WATCH2 = 23,
  FUNCTION_SENSE_VCC1 = 24,
  FUNCTION_SENSE_VCC2 = 25,
  FUNCTION_RADIO_MISO = 26,
};
#define FUNCTION_COUNT 27

enum PulseKind {
  PULSE_KIND_NONE = 0,
  PULSE_KIND_SERVO = 1,
  PULSE_KIND_MOTOR = 2,
  PULSE_KIND_REVERSIBLE = 3,
};
#define PULSE_KIND_COUNT 4

enum LinkMode {
  LINK_MODE_RECEIVE = 0,
  LINK_MODE_SEND = 1,
  LINK_MODE_SEND_ACK = 2,
  LINK_MODE_PING = 3,
  LINK_MODE_ECHO = 4,
};
#define LINK_MODE_COUNT 5

enum Load {
  LOAD_LED = 0,
  LOAD_TRANSMIT = 1,
  LOAD_SERVO = 2,
  LOAD_MOTOR_IDLE = 3,
};
#define LOAD_COUNT 4

enum AdcSource {
  ADC_SOURCE_BAND_GAP = 0,
  ADC_SOURCE_SENSE_RAIL = 1,
  ADC_SOURCE_JOY_X = 2,
  ADC_SOURCE_JOY_Y = 3,
  ADC_SOURCE_SENSE_VCC1 = 4,
  ADC_SOURCE_SENSE_VCC2 = 5,
};
#define ADC_SOURCE_COUNT 6

enum TwiLines {
  TWI_LINES_SDA_FREED = 1,
  TWI_LINES_SDA_HELD = 2,
  TWI_LINES_SCL_HELD = 4,
};
#define TWI_LINES_COUNT 5

enum Point {
  POINT_EDGE = 0,
  POINT_DECIDED = 1,
  POINT_QUEUED = 2,
  POINT_SENT = 3,
  POINT_DONE = 4,
  POINT_RECEIVED = 5,
  POINT_APPLIED = 6,
  POINT_LOOP = 7,
  POINT_STIMULUS = 8,
};
#define POINT_COUNT 9

enum GuardState {
  GUARD_STATE_IDLE = 0,
  GUARD_STATE_CHALLENGED = 1,
  GUARD_STATE_WIRING = 2,
  GUARD_STATE_ARMED = 3,
  GUARD_STATE_LIVE = 4,
};
#define GUARD_STATE_COUNT 5

enum GuardReason {
  GUARD_REASON_START = 0,
  GUARD_REASON_STOPPED = 1,
  GUARD_REASON_KEEP_ALIVE = 2,
  GUARD_REASON_SILENCE = 3,
  GUARD_REASON_BAD_ARM = 4,
  GUARD_REASON_SETTINGS = 5,
  GUARD_REASON_REFUSED = 6,
  GUARD_REASON_LOOP_STALL = 7,
  GUARD_REASON_TIME_OUT = 8,
};
#define GUARD_REASON_COUNT 9

enum OutputAct {
  OUTPUT_ACT_TRY = 0,
  OUTPUT_ACT_CONFIRM = 1,
  OUTPUT_ACT_FORGET = 2,
  OUTPUT_ACT_FULL = 3,
  OUTPUT_ACT_BACKWARD = 4,
  OUTPUT_ACT_REST = 5,
};
#define OUTPUT_ACT_COUNT 6

enum Piece {
  PIECE_NUMBER = 1,
  PIECE_WANTED = 2,
  PIECE_BEGIN_ANEW = 4,
  PIECE_AT_ONCE = 8,
  PIECE_TO_BOARD = 80,
  PIECE_FROM_BOARD = 160,
};
#define PIECE_COUNT 161

// settings: X(name, key, C type, array length or 1, default, min, max)
#define SETTINGS_TABLE(X) \
  X(role, 0, uint8_t, 1, 0, 0, 2UL) \
  X(label, 1, char, 16, "", 0, 0UL) \
  X(bandgap_mv, 2, uint16_t, 1, 1100, 900, 1300UL) \
  X(rail_divider, 3, uint16_t, 1, 1000, 500, 10000UL) \
  X(radio_channel, 4, uint8_t, 1, 76, 0, 125UL) \
  X(radio_rate, 5, uint8_t, 1, 1, 0, 2UL) \
  X(radio_power, 6, uint8_t, 1, 3, 0, 3UL) \
  X(radio_crc, 7, uint8_t, 1, 2, 0, 2UL) \
  X(radio_retry_delay, 8, uint8_t, 1, 1, 0, 15UL) \
  X(radio_retry_count, 9, uint8_t, 1, 15, 0, 15UL) \
  X(radio_address, 10, uint32_t, 1, 1297433676, 0, 4294967295UL) \
  X(start_sound, 29, uint16_t, 1, 0, 0, 9999UL) \
  X(neutral_us, 28, uint16_t, 1, 1500, 1400, 1600UL) \
  X(silence_ms, 11, uint16_t, 1, 250, 50, 5000UL) \
  X(cap_permille, 12, uint16_t, 1, 200, 0, 300UL) \
  X(slew_permille_s, 13, uint16_t, 1, 200, 10, 1000UL) \
  X(idle_us, 14, uint16_t, 1, 1000, 800, 1200UL) \
  X(full_us, 15, uint16_t, 1, 2000, 1500, 2200UL) \
  X(frame_us, 16, uint16_t, 1, 20000, 2500, 20000UL) \
  X(servo_min_us, 17, uint16_t, 1, 1000, 500, 1500UL) \
  X(servo_max_us, 18, uint16_t, 1, 2000, 1500, 2450UL) \
  X(self_stimulus, 19, uint8_t, 1, 0, 0, 1UL) \
  X(led_active_low, 20, uint8_t, 1, 0, 0, 1UL) \
  X(baud_code, 21, uint8_t, 1, 0, 0, 3UL) \
  X(debounce_us, 22, uint16_t, 1, 5000, 0, 50000UL) \
  X(send_interval_us, 23, uint16_t, 1, 20000, 500, 60000UL) \
  X(loop_ack, 24, uint8_t, 1, 1, 0, 1UL) \
  X(dead_band, 25, uint8_t, 1, 0, 0, 100UL) \
  X(turnaround_ticks, 26, uint16_t, 1, 1000, 400, 20000UL) \
  X(air_reach, 27, uint8_t, 1, 0, 0, 1UL) \
  X(pair_number, 40, uint8_t, 1, 0, 0, 255UL) \
  X(radio_spi_slow, 41, uint8_t, 1, 0, 0, 1UL) \
  X(switch_to_supply, 42, uint8_t, 1, 0, 0, 3UL) \
  X(loader_loops, 43, uint8_t, 1, 0, 0, 1UL) \

#define SETTING_REST_KEYS 48
#define SETTING_PIN_KEYS 64
#define SETTING_PULSE_KIND_KEYS 96
#define CAPTURE_PIN 0x10
#define ADDRESS_LOW 0xC7
#define MISO_PIN 0x14

#define MSG_IDENTIFY 0x01
#define MSG_IDENTIFY_ANSWER 0x81
struct __attribute__((packed)) msg_identify_answer {
  uint8_t protocol;
  uint16_t firmware;
  uint8_t role;
  char label[16];
  uint8_t cause;
  uint8_t mcusr;
  uint8_t cause_from;
  uint16_t boot_count;
  uint32_t image_crc;
  uint32_t clock_hz;
  uint16_t stack_free;
  uint8_t settings_ok;
  uint8_t signature[3];
  uint8_t clock_ok;
  uint8_t image;
  uint8_t fuses[4];
};
#define MSG_CLOCK 0x02
#define MSG_CLOCK_ANSWER 0x82
struct __attribute__((packed)) msg_clock_answer {
  uint32_t received;  // tick
  uint32_t sent;  // tick
};
#define MSG_RESTART 0x03
#define MSG_RESTART_ANSWER 0x83
#define MSG_SETTING_READ 0x04
struct __attribute__((packed)) msg_setting_read {
  uint8_t key;
};
#define MSG_SETTING_READ_ANSWER 0x84
struct __attribute__((packed)) msg_setting_read_answer {
  uint8_t key;
};
#define MSG_SETTING_WRITE 0x05
struct __attribute__((packed)) msg_setting_write {
  uint8_t key;
};
#define MSG_SETTING_WRITE_ANSWER 0x85
#define MSG_SETTINGS_SAVE 0x06
#define MSG_SETTINGS_SAVE_ANSWER 0x86
struct __attribute__((packed)) msg_settings_save_answer {
  uint16_t written;  // bytes
};
#define MSG_SETTINGS_DEFAULT 0x07
#define MSG_SETTINGS_DEFAULT_ANSWER 0x87
#define MSG_ECHO 0x08
#define MSG_ECHO_ANSWER 0x88
#define MSG_VITALS 0x09
#define MSG_VITALS_ANSWER 0x89
struct __attribute__((packed)) msg_vitals_answer {
  uint16_t vcc_mv;  // mV
  uint16_t lowest_vcc_mv;  // mV
  uint16_t stack_free;  // bytes
  uint16_t frames_bad;
  uint16_t overruns;
  uint16_t events_dropped;
  uint8_t radio_ok;
  uint16_t radio_losses;
  uint8_t guard;
  uint16_t late_us;  // us
};
#define MSG_FORENSICS 0x0A
#define MSG_FORENSICS_ANSWER 0x8A
struct __attribute__((packed)) msg_forensics_answer {
  uint8_t cause;
  uint8_t mcusr;
  uint8_t cause_from;
  uint16_t boot_count;
  uint8_t ram_survived;
  uint32_t uptime_ms;  // ms
  uint8_t loads;
  uint16_t lowest_vcc_mv;  // mV
  uint16_t radio_losses;
  uint8_t guard;
};
#define MSG_PIN 0x0C
struct __attribute__((packed)) msg_pin {
  uint8_t function;
  uint8_t mode;
};
#define MSG_PIN_ANSWER 0x8C
struct __attribute__((packed)) msg_pin_answer {
  uint8_t level;
};
#define MSG_LOOK 0x0E
struct __attribute__((packed)) msg_look {
  uint8_t pin;
  uint8_t mode;
};
#define MSG_LOOK_ANSWER 0x8E
struct __attribute__((packed)) msg_look_answer {
  uint8_t level;
  uint16_t reading;
};
#define MSG_LED 0x0D
struct __attribute__((packed)) msg_led {
  uint8_t blinks;
  uint16_t on_ms;  // ms
  uint16_t off_ms;  // ms
};
#define MSG_LED_ANSWER 0x8D
#define MSG_RADIO_SPI 0x10
#define MSG_RADIO_SPI_ANSWER 0x90
#define MSG_RADIO_APPLY 0x11
#define MSG_RADIO_APPLY_ANSWER 0x91
struct __attribute__((packed)) msg_radio_apply_answer {
  uint8_t status;
  uint8_t wrong;
};
#define MSG_RADIO_SEND 0x12
struct __attribute__((packed)) msg_radio_send {
  uint8_t no_ack;
};
#define MSG_RADIO_SEND_ANSWER 0x92
struct __attribute__((packed)) msg_radio_send_answer {
  uint8_t ok;
  uint8_t retries;
  uint16_t took;  // us
};
#define MSG_ENERGY_SCAN 0x13
struct __attribute__((packed)) msg_energy_scan {
  uint8_t first;
  uint8_t last;
  uint16_t dwell_us;  // us
  uint16_t sweeps;
};
#define MSG_ENERGY_SCAN_ANSWER 0x93
#define MSG_LINK_START 0x14
struct __attribute__((packed)) msg_link_start {
  uint8_t mode;
  uint8_t test;
  uint32_t count;  // packets
  uint32_t interval_us;  // us
  uint8_t payload;  // bytes
};
#define MSG_LINK_START_ANSWER 0x94
struct __attribute__((packed)) msg_link_start_answer {
  uint32_t start;  // tick
};
#define MSG_LINK_STOP 0x15
#define MSG_LINK_STOP_ANSWER 0x95
struct __attribute__((packed)) msg_link_stop_answer {
  uint32_t sent;
  uint32_t delivered;
  uint32_t received;
  uint16_t dropped;
  uint16_t late;  // tick
};
#define MSG_ADC 0x20
struct __attribute__((packed)) msg_adc {
  uint8_t source;
  uint8_t prescaler;
  uint16_t count;
  uint16_t gap_us;  // us
};
#define MSG_ADC_ANSWER 0xA0
struct __attribute__((packed)) msg_adc_answer {
  uint16_t count;
  uint32_t sum;
  uint32_t square;
  uint16_t low;
  uint16_t high;
};
#define MSG_DROOP 0x21
struct __attribute__((packed)) msg_droop {
  uint8_t load;
  uint8_t source;
  uint16_t first_us;  // us
  uint16_t step_us;  // us
  uint16_t points;
  uint8_t repeats;
  uint8_t settle_ms;  // ms
  uint8_t prescaler;
};
#define MSG_DROOP_ANSWER 0xA1
#define MSG_LOAD 0x22
struct __attribute__((packed)) msg_load {
  uint8_t load;
  uint8_t on;
  uint8_t strength;
};
#define MSG_LOAD_ANSWER 0xA2
#define MSG_WATCH 0x28
struct __attribute__((packed)) msg_watch {
  uint8_t function;
  uint8_t on;
};
#define MSG_WATCH_ANSWER 0xA8
struct __attribute__((packed)) msg_watch_answer {
  uint8_t level;
};
#define MSG_STICK_STREAM 0x29
struct __attribute__((packed)) msg_stick_stream {
  uint16_t interval_us;  // us
  uint16_t count;
};
#define MSG_STICK_STREAM_ANSWER 0xA9
#define MSG_SELF_STIMULUS 0x2A
struct __attribute__((packed)) msg_self_stimulus {
  uint8_t function;
  uint8_t presses;
  uint16_t down_us;  // us
  uint16_t up_us;  // us
};
#define MSG_SELF_STIMULUS_ANSWER 0xAA
#define MSG_LOOP_START 0x30
struct __attribute__((packed)) msg_loop_start {
  uint8_t trace;
};
#define MSG_LOOP_START_ANSWER 0xB0
#define MSG_LOOP_STOP 0x31
#define MSG_LOOP_STOP_ANSWER 0xB1
struct __attribute__((packed)) msg_loop_stop_answer {
  uint32_t packets;
  uint32_t lost;
  uint16_t late;  // tick
};
#define MSG_STICK_SET 0x32
struct __attribute__((packed)) msg_stick_set {
  uint8_t on;
  uint16_t x;
  uint16_t y;
};
#define MSG_STICK_SET_ANSWER 0xB2
#define MSG_PULSE 0x33
struct __attribute__((packed)) msg_pulse {
  uint8_t channel;
  uint16_t width_us;  // us
};
#define MSG_PULSE_ANSWER 0xB3
#define MSG_PULSE_READ 0x34
struct __attribute__((packed)) msg_pulse_read {
  uint8_t channel;
};
#define MSG_PULSE_READ_ANSWER 0xB4
struct __attribute__((packed)) msg_pulse_read_answer {
  uint16_t width;  // tick
  uint16_t frame;  // tick
  uint8_t kind;
};
#define MSG_CAPTURE 0x35
struct __attribute__((packed)) msg_capture {
  uint8_t on;
};
#define MSG_CAPTURE_ANSWER 0xB5
#define MSG_ARM_CHALLENGE 0x38
struct __attribute__((packed)) msg_arm_challenge {
  uint8_t channel;
  uint8_t radio;
};
#define MSG_ARM_CHALLENGE_ANSWER 0xB8
struct __attribute__((packed)) msg_arm_challenge_answer {
  uint32_t nonce;
  uint8_t state;
};
#define MSG_ARM 0x39
struct __attribute__((packed)) msg_arm {
  uint8_t channel;
  uint32_t nonce;
  char label[16];
  uint16_t cap_permille;
};
#define MSG_ARM_ANSWER 0xB9
struct __attribute__((packed)) msg_arm_answer {
  uint8_t state;
  uint16_t cap_permille;
};
#define MSG_THROTTLE 0x3A
struct __attribute__((packed)) msg_throttle {
  uint8_t channel;
  int16_t permille;
  uint16_t number;
};
#define MSG_THROTTLE_ANSWER 0xBA
struct __attribute__((packed)) msg_throttle_answer {
  uint8_t state;
  uint8_t reason;
  uint16_t width_us;  // us
};
#define MSG_STOP 0x3B
struct __attribute__((packed)) msg_stop {
  uint8_t silent;
};
#define MSG_STOP_ANSWER 0xBB
struct __attribute__((packed)) msg_stop_answer {
  uint8_t state;
};
#define MSG_GUARD_READ 0x3C
#define MSG_GUARD_READ_ANSWER 0xBC
struct __attribute__((packed)) msg_guard_read_answer {
  uint8_t state;
  uint8_t reason;
  uint16_t width_us;  // us
  uint16_t cap_permille;
  uint16_t silence_ms;  // ms
  uint16_t age_ms;  // ms
  uint16_t radio_age_ms;  // ms
  uint8_t confirmed;
  uint8_t silent;
};
#define MSG_OUTPUT 0x3D
struct __attribute__((packed)) msg_output {
  uint8_t channel;
  uint8_t act;
};
#define MSG_OUTPUT_ANSWER 0xBD
struct __attribute__((packed)) msg_output_answer {
  uint8_t confirmed;
};
#define MSG_TWI_SCAN 0x40
struct __attribute__((packed)) msg_twi_scan {
  uint8_t slow;
};
#define MSG_TWI_SCAN_ANSWER 0xC0
struct __attribute__((packed)) msg_twi_scan_answer {
  uint8_t lines;
};
#define MSG_TWI_READ 0x41
struct __attribute__((packed)) msg_twi_read {
  uint8_t address;
  uint8_t reg;
  uint8_t count;
};
#define MSG_TWI_READ_ANSWER 0xC1
struct __attribute__((packed)) msg_twi_read_answer {
  uint8_t status;
};
#define MSG_TWI_WRITE 0x42
struct __attribute__((packed)) msg_twi_write {
  uint8_t address;
  uint8_t reg;
};
#define MSG_TWI_WRITE_ANSWER 0xC2
struct __attribute__((packed)) msg_twi_write_answer {
  uint8_t status;
};
#define MSG_IMU_STREAM 0x43
struct __attribute__((packed)) msg_imu_stream {
  uint8_t address;
  uint16_t interval_us;  // us
  uint16_t count;
};
#define MSG_IMU_STREAM_ANSWER 0xC3
#define MSG_REFUSAL 0xFF
struct __attribute__((packed)) msg_refusal {
  uint8_t to;
  uint8_t code;
  uint8_t detail;
};
#define MSG_BOOT 0x60
struct __attribute__((packed)) msg_boot {
  uint8_t protocol;
  uint16_t firmware;
  uint8_t role;
  char label[16];
  uint8_t cause;
  uint8_t mcusr;
  uint8_t cause_from;
  uint16_t boot_count;
  uint8_t ram_survived;
  uint32_t uptime_ms;  // ms
  uint8_t loads;
  uint16_t lowest_vcc_mv;  // mV
};
#define MSG_DONE 0x61
struct __attribute__((packed)) msg_done {
  uint8_t what;
  uint8_t status;
  uint16_t detail;
};
#define MSG_SCAN 0x62
struct __attribute__((packed)) msg_scan {
  uint16_t sweep;
  uint8_t first;
};
struct __attribute__((packed)) row_scan {
  uint8_t busy;
};
#define MSG_LINK_SENT 0x63
struct __attribute__((packed)) msg_link_sent {
  uint8_t test;
};
struct __attribute__((packed)) row_link_sent {
  uint16_t packet;
  uint32_t queued;  // tick
  uint16_t air;  // tick
  uint32_t done;  // tick
  uint8_t result;
};
#define MSG_LINK_RECEIVED 0x64
struct __attribute__((packed)) msg_link_received {
  uint8_t test;
};
struct __attribute__((packed)) row_link_received {
  uint16_t packet;
  uint32_t received;  // tick
  uint8_t flags;
};
#define MSG_LINK_PINGED 0x65
struct __attribute__((packed)) msg_link_pinged {
  uint8_t test;
};
struct __attribute__((packed)) row_link_pinged {
  uint16_t packet;
  uint32_t sent;  // tick
  uint32_t back;  // tick
  uint32_t there;  // tick
  uint16_t turnaround;  // tick
  uint8_t result;
};
#define MSG_DROOP_ROWS 0x66
struct __attribute__((packed)) msg_droop_rows {
  uint16_t first;
  uint16_t baseline;
};
struct __attribute__((packed)) row_droop_rows {
  uint16_t sum;
};
#define MSG_EDGES 0x67
struct __attribute__((packed)) msg_edges {
  uint8_t function;
};
struct __attribute__((packed)) row_edges {
  uint32_t at;  // tick
  uint8_t level;
};
#define MSG_STICK_ROWS 0x68
struct __attribute__((packed)) msg_stick_rows {
  uint16_t first;
  uint32_t at;  // tick
};
struct __attribute__((packed)) row_stick_rows {
  uint16_t x;
  uint16_t y;
};
#define MSG_TRACE 0x69
struct __attribute__((packed)) row_trace {
  uint8_t point;
  uint16_t value;
  uint32_t at;  // tick
};
#define MSG_CAPTURED 0x6A
struct __attribute__((packed)) row_captured {
  uint32_t rise;  // tick
  uint16_t width;  // tick
};
#define MSG_GUARD_CHANGED 0x6B
struct __attribute__((packed)) msg_guard_changed {
  uint8_t state;
  uint8_t reason;
  uint32_t at;  // tick
  uint16_t width_us;  // us
};
#define MSG_IMU_ROWS 0x6C
struct __attribute__((packed)) msg_imu_rows {
  uint16_t first;
  uint32_t at;  // tick
};
struct __attribute__((packed)) row_imu_rows {
  int16_t ax;
  int16_t ay;
  int16_t az;
  int16_t temperature;
  int16_t gx;
  int16_t gy;
  int16_t gz;
};
#define MSG_RADIO_LOST 0x6D
struct __attribute__((packed)) msg_radio_lost {
  uint32_t at;  // tick
  uint8_t reg;
  uint8_t found;
  uint8_t expected;
};
