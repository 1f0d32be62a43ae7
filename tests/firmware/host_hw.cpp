// SPDX-License-Identifier: MIT
// The chip's contract on this machine: time that the test sets, a serial line as two byte queues, an EEPROM that can
// lose its supply, pins as memory. And what Python calls.
#include <string.h>

#include <deque>
#include <vector>

#include "dispatch.h"
#include "frame.h"
#include "guard.h"
#include "hw.h"
#include "image.h"
#include "life.h"
#include "link.h"
#include "outputs.h"
#include "probe.h"
#include "settings.h"

static uint32_t now;
static std::deque<uint8_t> incoming;
static std::vector<uint8_t> outgoing;
static uint8_t eeprom[1024];
static int eeprom_left = -1;  // writes until the supply fails; -1: never
static uint16_t widths[7];    // what the guard has put out, by channel
static uint8_t levels[64];
static std::vector<uint8_t> flash(3000, 0x5A);

// ---- start
bool hw_clock_right = true;
void hw_start() {}
HwReset hw_reset_flags() { return HwReset{1, 0}; }
void hw_watchdog_kick() {}
void hw_restart(bool) { throw 1; }
uint16_t hw_stack_free() { return 700; }
bool hw_stack_sound() { return true; }
uint16_t hw_image_size() { return flash.size(); }
uint32_t hw_clock_hz() { return 16000000; }
void hw_fuses(uint8_t *four) { memcpy(four, "\xff\xcf\xfd\xda", 4); }
void hw_signature(uint8_t *three) { memcpy(three, "\x1e\x95\x0f", 3); }
void hw_flash_read(void *to, const void *from, uint8_t size) { memcpy(to, from, size); }
uint8_t hw_flash_byte(uint16_t address) { return flash[address]; }

// ---- time
uint32_t hw_ticks() { return now; }
uint32_t hw_ticks_held() { return now; }
uint16_t hw_ms() { return now / TICKS_PER_MS; }
void hw_wait_us(uint8_t us) { now += us * TICKS_PER_US; }
void hw_wait_tick(uint32_t tick) {
  if ((int32_t)(tick - now) > 0) now = tick;
}
void hw_let_in() {}
bool hw_active() { return true; }
void hw_sleep_until(uint32_t) { now += 100; }
uint8_t hw_hold() { return 0; }
void hw_release(uint8_t) {}
void hw_hold_ms() {}
void hw_release_ms() {}
void hw_hold_moment() {}

// ---- serial line
uint8_t hw_tx_ring[256];
uint8_t hw_tx_staged;
static uint8_t tx_committed;
void hw_uart_start(uint8_t) { hw_tx_staged = tx_committed; }
bool hw_uart_get(uint8_t *byte) {
  if (incoming.empty()) return false;
  *byte = incoming.front();
  incoming.pop_front();
  return true;
}
uint32_t hw_uart_frame_at() { return now; }
uint16_t hw_uart_overruns() { return 0; }
uint8_t hw_uart_room() { return (uint8_t)(tx_committed - hw_tx_staged - 1); }
void hw_uart_commit() {
  for (; tx_committed != hw_tx_staged; tx_committed++) outgoing.push_back(hw_tx_ring[tx_committed]);
}
void hw_uart_drop() { hw_tx_staged = tx_committed; }
bool hw_uart_sent() { return true; }
bool hw_uart_diverted = false;
void hw_uart_divert(bool on) { hw_uart_diverted = on; }
uint8_t hw_uart_peek(uint8_t *, uint8_t) { return 0; }
void hw_uart_skip(uint8_t) {}

// ---- pins
bool hw_pin_exists(uint8_t pin) {
  uint8_t port = pin >> 4, bit = pin & 15;
  return (port == 1 && bit < 6) || (port == 2 && bit < 6) || (port == 3 && bit >= 2 && bit < 8);
}
void hw_pin_input(uint8_t, bool) {}
void hw_pin_output(uint8_t pin, bool level) { hw_pin_write(pin, level); }
void hw_pin_write(uint8_t pin, bool level) {
  if (hw_pin_exists(pin)) levels[pin] = level;
}
uint32_t hw_pin_pull(uint8_t pin, bool pull, bool up) {
  hw_pin_write(pin, pull == up);
  return now;
}
bool hw_pin_read(uint8_t pin) { return hw_pin_exists(pin) && levels[pin]; }
void hw_edge_watch(uint8_t, bool) {}
bool hw_edge_waiting() { return false; }
bool hw_edge_take(HwEdge *) { return false; }
uint16_t hw_edges_lost() { return 0; }
void hw_radio_irq_bind(uint8_t) {}
bool hw_radio_irq_take(uint32_t *) { return false; }
bool hw_radio_irq_low() { return false; }

// ---- a transceiver that is not there: MISO high
void hw_spi_bind(uint8_t, uint8_t, bool) {}
void hw_spi_select() {}
uint8_t hw_spi_swap(uint8_t) { return 0xFF; }
void hw_spi_release() {}
uint8_t hw_spi_send(uint8_t, const uint8_t *, uint8_t) { return 0xFF; }
uint8_t hw_spi_fetch(uint8_t, uint8_t *data, uint8_t size) {
  memset(data, 0xFF, size);
  return 0xFF;
}
uint8_t hw_spi_two(uint8_t, uint8_t, uint8_t *in) { return *in = 0xFF; }
void hw_ce(bool) {}
uint32_t hw_ce_rise() { return now; }

// ---- EEPROM: after the supply has failed nothing is written; the byte being written is garbage
uint8_t hw_eeprom_read(uint16_t address) { return eeprom[address]; }
bool hw_eeprom_ready() { return true; }
void hw_eeprom_write(uint16_t address, uint8_t byte) {
  if (eeprom_left == 0) return;
  if (eeprom_left > 0 && --eeprom_left == 0) byte ^= 0x3C;
  eeprom[address] = byte;
}

// ---- converter, two-wire bus, pulses
uint8_t hw_adc_channel(uint8_t pin) { return (pin >> 4) == 2 && (pin & 15) < 6 ? pin & 15 : HW_ADC_NONE; }
void hw_adc_select(uint8_t, uint8_t) {}
uint8_t hw_adc_selected() { return HW_ADC_BAND_GAP; }
void hw_adc_begin() {}
bool hw_adc_done() { return true; }
uint16_t hw_adc_value() { return 225; }
uint8_t hw_adc_precise() { return 7; }
uint8_t hw_twi_begin(bool) { return 0; }
uint8_t hw_twi_probe(uint8_t) { return 0x20; }
uint8_t hw_twi_write(uint8_t, const uint8_t *, uint8_t) { return 0x20; }
uint8_t hw_twi_read(uint8_t, uint8_t, uint8_t *, uint8_t) { return 0x20; }
static uint8_t bound[7];
void hw_pulse_unbind_all() {
  memset(bound, 0, sizeof bound);
  memset(widths, 0, sizeof widths);
}
bool hw_pulse_possible(uint8_t pin) { return hw_pin_exists(pin) && (pin < 0x13 || pin > 0x15); }
bool hw_pulse_bind(uint8_t channel, uint8_t pin) {
  bound[channel] = pin;
  return true;
}
void hw_pulse_frame(uint16_t) {}
uint16_t hw_pulse_width(uint8_t channel) { return widths[channel]; }
void guard_output(uint8_t channel, GuardedWidth width) { widths[channel] = width.ticks(); }
bool hw_level(uint8_t, uint16_t) { return true; }
void hw_capture(bool) {}
bool hw_capture_take(HwCapture *) { return false; }

// ---------------------------------------------------------------- for Python

extern "C" {
void set_now(uint32_t ticks) { now = ticks; }

// frames
static FrameDecoder decoder;
void decoder_reset() { frame_reset(&decoder); }
int decoder_feed(uint8_t byte, uint8_t *body) {
  uint8_t n = frame_feed(&decoder, byte);
  memcpy(body, decoder.body, n);
  return n;
}
int bad_frames() { return frame_bad(); }
void send_frame(uint8_t type, uint16_t number, const uint8_t *data, uint8_t size) {
  frame_open(type, number);
  frame_put(data, size);
  frame_close();
}
void send_row(uint8_t type, const uint8_t *head, uint8_t head_size, const uint8_t *row, uint8_t size) {
  event_row(type, head, head_size, row, size);
}
void send_event(uint8_t type, const uint8_t *data, uint8_t size) { event_send(type, data, size); }
void flush_events() { event_flush(); }
int dropped_events() { return events_dropped(); }
void receive_by_air(const uint8_t *data, uint8_t size) { probe_feed(data, size); }
// the line stands still: what is committed stays in the ring
int take_output(uint8_t *to, int most) {
  int n = (int)outgoing.size() < most ? (int)outgoing.size() : most;
  memcpy(to, outgoing.data(), n);
  outgoing.erase(outgoing.begin(), outgoing.begin() + n);
  return n;
}

// settings
void eeprom_fill(uint8_t byte) { memset(eeprom, byte, sizeof eeprom); }
void eeprom_get(uint8_t *to) { memcpy(to, eeprom, sizeof eeprom); }
void eeprom_set(const uint8_t *from) { memcpy(eeprom, from, sizeof eeprom); }
void eeprom_fail_after(int writes) { eeprom_left = writes; }
int load_settings() { return settings_load(); }
int save_settings() {
  settings_save_begin();
  while (!settings_save_step()) {
  }
  return settings_save_written();
}
int write_setting(uint8_t key, const uint8_t *value, uint8_t size) { return settings_write(key, value, size, true); }
int read_setting(uint8_t key, uint8_t *to) {
  uint8_t size = 0;
  void *place = settings_place(key, &size);
  if (!place) return -1;
  memcpy(to, place, size);
  return size;
}
int load_boots() { return boots_load(); }
void store_boots(uint16_t count) {
  boots_store_begin(count);
  while (!boots_store_step()) {
  }
}

// reset causes
int cause(uint8_t mcusr, uint8_t loader, uint8_t survived, uint8_t intent, uint8_t loop_age_ms) {
  Start s;
  memset(&s, 0, sizeof s);
  Life before;
  memset(&before, 0, sizeof before);
  s.ram_survived = survived;
  before.intent = intent;
  before.loop_age_ms = loop_age_ms;
  learn_cause(mcusr, loader, before, &s);
  return s.cause << 8 | s.cause_from;
}

// guard
void guard_start() { guard.start(); }
void guard_configure(uint16_t cap, uint16_t slew, uint16_t idle, uint16_t full, uint16_t silence, uint8_t motors,
                     uint8_t reversible, uint8_t servos) {
  guard.configure(GuardRules{1500, silence, cap, slew, idle, full, motors, reversible, servos});
}
void guard_own(uint8_t at, uint16_t us) { settings.own_us[at] = us; }
uint32_t guard_challenge(uint8_t channel, uint8_t radio, uint32_t entropy) {
  return guard.challenge(channel, radio, entropy);
}
int guard_arm(uint8_t channel, uint32_t nonce, const char *label, const char *own, uint16_t cap) {
  msg_arm asked = {channel, nonce, {}, cap};
  strncpy(asked.label, label, sizeof asked.label);
  return guard.arm(asked, own);
}
int guard_throttle(uint8_t channel, int16_t permille, uint16_t number) {
  return guard.throttle(channel, permille, number);
}
void guard_drop(uint8_t reason) { guard.drop(reason); }
void guard_quiet() { guard.quiet(); }
void guard_pause(uint8_t on) { guard.pause(on); }
int guard_wiring() { return guard.wiring(); }
void guard_attempt(uint8_t channel, uint8_t servo) { guard.attempt(channel, servo); }
int guard_attempted(uint8_t channel) { return guard.attempted(channel); }
int guard_teach(uint8_t channel, uint8_t act) { return guard.teach(channel, act); }
int guard_servo(uint8_t channel, uint16_t ticks) { return guard.servo(channel, ticks); }
int guard_silent() { return guard.silent(); }
int guard_cap() { return guard.cap(); }
void confirm_output(uint8_t channel) { settings.confirmed |= 1 << (channel - 1); }
int confirmed_outputs() { return settings.confirmed; }
void guard_packet() { guard.control_packet(); }
void guard_link(uint8_t on) { guard.control_link(on); }
void guard_loop() { guard.loop_alive(); }
void guard_tick() { guard.tick(now); }
int guard_state() { return guard.state(); }
int guard_reason() { return guard.reason(); }
int guard_width_ticks(uint8_t channel) { return widths[channel]; }

// the whole probe
void probe_begin() {
  incoming.clear();
  outgoing.clear();
  probe_start();
}
void probe_receive(const uint8_t *data, int size) { incoming.insert(incoming.end(), data, data + size); }
int probe_turn() {  // 1: it restarted itself
  static uint32_t next_ms;
  try {
    probe_poll();
  } catch (int) {
    return 1;
  }
  while ((int32_t)(now - next_ms) >= 0) {
    hw_on_ms(now);
    next_ms = now + TICKS_PER_MS;
  }
  return 0;
}
uint32_t crc_of_image() {
  while (!image_step()) {
  }
  return image_crc();
}
}
