// SPDX-License-Identifier: MIT
#include "link.h"
#include <string.h>
#include "dispatch.h"
#include "frame.h"
#include "handlers.h"
#include "nrf24.h"
#include "probe.h"
#include "settings.h"

enum Phase {
  OFF,
  WARMING,    // the transceiver's oscillator starts
  READY,      // next payload uploaded (or not), nothing in the air
  TURNING,    // echo: reply uploaded, CE due at a stated tick
  IN_FLIGHT,  // from here on an event of the transceiver is awaited
  AWAITING,   // pinger: listening for the echo
  LISTENING,
};

static struct {
  uint8_t phase, mode, test, payload;
  bool uploaded, endless, stopped;
  Later stop;               // its request
  uint32_t left, interval, next_at;
  uint16_t packet;          // number of the next payload to upload
  uint32_t queued_at;       // of the payload that is uploaded and waits
  uint32_t due;             // deadline or the echo's CE
  uint32_t sent, delivered, received;
  uint16_t dropped;
} test;

struct Flight {
  uint16_t packet;
  uint32_t queued, ce;
};
static Flight air;          // the one in the air; for an echo, ce is when its ping arrived

static uint8_t *const buffer = nrf_buffer;

#define NO_ACK_MODE (test.mode != LINK_MODE_SEND_ACK)
// A sender that hears nothing of its packet for so long has lost it: 16 tries of 1316 us + 4 ms (section 7.4.2).
#define FLIGHT_LIMIT (100 * TICKS_PER_MS)
// An echo that is later than its turnaround and this will not come: two air times at 250 kbps, settling, margin.
#define ECHO_MARGIN (6 * TICKS_PER_MS)

bool link_busy(void) { return test.phase != OFF; }

#define TIGHT (600 * TICKS_PER_US)
bool link_tight(void) { return test.phase == TURNING && (int32_t)(test.due - hw_ticks()) < (int32_t)TIGHT; }

static bool is_sender(void) { return test.mode == LINK_MODE_SEND || test.mode == LINK_MODE_SEND_ACK || test.mode == LINK_MODE_PING; }

// ---------------------------------------------------------------- sending

static HW_FAST void fill(void) {
  buffer[0] = (uint8_t)test.packet;
  buffer[1] = test.packet >> 8;
  buffer[2] = test.test;
  for (uint8_t i = 3; i < test.payload; i++) buffer[i] = (uint8_t)(test.packet * 37 + i * 101);
}

static void upload_next(void) {
  if (test.uploaded || (test.left == 0 && !test.endless)) return;
  fill();
  test.queued_at = hw_ticks();
  nrf_upload(buffer, test.payload, NO_ACK_MODE);
  test.uploaded = true;
}

// CE has just risen; the rest is done while the packet settles.
static void launched(uint32_t ce) {
  air.packet = test.packet++;
  air.queued = test.queued_at;
  air.ce = ce;
  test.uploaded = false;
  if (!test.endless) test.left--;
  test.sent++;
  test.phase = IN_FLIGHT;
  test.next_at += test.interval;
  test.due = ce + FLIGHT_LIMIT;
  nrf_expect();
  hw_wait_us(8);  // with the above the 10 us that CE must be high
  hw_ce(false);
}

static void count_row(bool kept) {
  if (!kept && test.dropped != 0xFFFF) test.dropped++;
}

static void record_sent(const Flight &f, uint32_t done, uint8_t result) {
  uint32_t wait = f.ce - f.queued;
  row_link_sent row = {f.packet, f.queued, (uint16_t)(wait > 0xFFFF ? 0xFFFF : wait), done, result};
  count_row(event_row(MSG_LINK_SENT, &test.test, 1, &row, sizeof row));
}

static bool more(void) { return test.endless || test.left != 0; }

static void finish_test(void) {
  event_flush();
  nrf_sender();
  test.phase = OFF;
  if (!test.stopped) send_done(MSG_LINK_START, 0, (uint16_t)test.sent);
}

// Back to back, the next payload is uploaded while this packet flies; at a pace, right before its time, so that
// "queued" means the same for every packet of a test.
static void next_packet(void) {
  test.phase = READY;
  if (test.interval) {
    uint32_t now = hw_ticks();
    if (not_yet(test.next_at)) return;
    if (now - test.next_at > test.interval) test.next_at = now;  // late by a whole interval: no catching up in a burst
  }
  upload_next();
  launched(hw_ce_rise());
  if (test.interval == 0 && test.mode != LINK_MODE_PING) upload_next();
}

static void after_packet(void) {
  if (more()) {
    next_packet();
  } else {
    test.phase = READY;
  }
}

static void packet_done(uint32_t at) {
  uint8_t observe, status = nrf_finish(&observe);
  if (!(status & (NRF_TX_DS | NRF_MAX_RT))) return;
  // back to back the next payload is up already: CE first, everything else while that packet settles
  bool quick = test.uploaded && !test.stopped && !(status & NRF_MAX_RT);
  uint32_t ce = quick ? hw_ce_rise() : 0;
  if (status & NRF_MAX_RT) {  // the packet stays in the FIFO, with the next one behind it
    nrf_command(NRF_FLUSH_TX);
    test.uploaded = false;
  } else if (test.mode == LINK_MODE_SEND_ACK) {
    test.delivered++;
  }
  uint8_t result = status & NRF_TX_DS ? 0x10 : 0;
  if (test.mode == LINK_MODE_SEND_ACK) result |= observe & 0x0F;
  Flight gone = air;
  if (quick) {
    launched(ce);
    upload_next();
  } else {
    after_packet();
  }
  record_sent(gone, at, result);  // coded while the next packet flies
  if (test.phase == READY && !more()) finish_test();
}

// The transceiver has said nothing for longer than any packet takes: it lost its supply or its settings.
static void packet_stuck(void) {
  nrf_check();
  nrf_give_up();
  test.uploaded = false;
  Flight gone = air;
  record_sent(gone, hw_ticks(), 0);
  after_packet();
  if (test.phase == READY && !more()) finish_test();
}

// ---------------------------------------------------------------- pinging

static void record_ping(uint32_t back, uint32_t there, uint16_t turnaround, uint8_t result) {
  row_link_pinged row = {air.packet, air.ce, back, there, turnaround, result};
  count_row(event_row(MSG_LINK_PINGED, &test.test, 1, &row, sizeof row));
}

static void after_ping(void) {
  nrf_quiet();
  if (more()) {
    test.phase = READY;
    if (test.interval == 0) test.next_at = hw_ticks();
  } else {
    finish_test();
  }
}

static void ping_sent(void) {
  if (!(nrf_clear_flags() & NRF_TX_DS)) return;
  nrf_listen();
  test.phase = AWAITING;
  test.due = air.ce + settings.turnaround_ticks + ECHO_MARGIN;
}

static void ping_lost(void) {
  if (test.phase == IN_FLIGHT) {  // not even sent
    nrf_check();
    nrf_give_up();
  }
  record_ping(0, 0, 0, 0);
  after_ping();
}

static void echo_came(uint32_t at) {
  if (!(nrf_clear_flags() & NRF_RX_DR)) return;
  uint8_t size = nrf_download(buffer);
  uint16_t packet, turnaround;
  uint32_t there;
  memcpy(&packet, buffer, 2);
  memcpy(&there, buffer + 2, 4);
  memcpy(&turnaround, buffer + 6, 2);
  if (size < 8 || packet != air.packet) return;
  test.delivered++;
  record_ping(at, there, turnaround, 0x10);
  after_ping();
}

// ---------------------------------------------------------------- receiving and echoing

static void record_received(uint32_t at, bool queued) {
  row_link_received row;
  memcpy(&row.packet, buffer, 2);
  row.received = at;
  row.flags = queued;
  test.received++;
  count_row(event_row(MSG_LINK_RECEIVED, &test.test, 1, &row, sizeof row));
}

static void receive_all(uint32_t at) {
  nrf_clear_flags();
  bool queued = false;
  for (uint8_t n = 0; n < 3; n++) {
    uint8_t size = nrf_download(buffer);
    bool empty = nrf_read(NRF_FIFO_STATUS) & NRF_FIFO_RX_EMPTY;
    queued |= !empty;
    if (size >= 2) record_received(at, queued);
    if (empty) return;
  }
}

static void ping_came(uint32_t at) {
  nrf_clear_flags();
  uint8_t size = nrf_download(buffer);
  nrf_command(NRF_FLUSH_RX);
  if (size < 8) return;
  uint16_t turnaround = settings.turnaround_ticks;
  memcpy(buffer + 2, &at, 4);
  memcpy(buffer + 6, &turnaround, 2);
  nrf_sender();
  nrf_upload(buffer, size, true);
  test.due = at + turnaround;
  test.phase = TURNING;
  record_received(at, false);
}

// The last 100 us before the stated tick are waited out, so that CE rises on it.
static void turn(void) {
  if ((int32_t)(test.due - hw_ticks()) > (int32_t)(100 * TICKS_PER_US)) {
    wake_at(test.due - 90 * TICKS_PER_US);
    return;
  }
  hw_wait_tick(test.due);
  nrf_pulse();
  hw_let_in();
  nrf_expect();
  test.due += FLIGHT_LIMIT;
  test.phase = IN_FLIGHT;
  test.sent++;
}

static void echo_sent(void) {
  nrf_give_up();
  nrf_listen();
  test.phase = LISTENING;
}

// ---------------------------------------------------------------- one turn

static void begin_phase(void) {
  if (is_sender()) {
    nrf_sender();
    test.next_at = hw_ticks();
    test.phase = READY;
  } else {
    nrf_listen();
    test.phase = LISTENING;
  }
}

static void interrupt(uint32_t at) {
  if (test.phase == LISTENING && test.mode == LINK_MODE_ECHO) return ping_came(at);
  if (test.phase == LISTENING) return receive_all(at);
  if (test.phase == AWAITING) return echo_came(at);
  if (test.phase != IN_FLIGHT) return;
  if (test.mode == LINK_MODE_PING) return ping_sent();
  if (test.mode != LINK_MODE_ECHO) return packet_done(at);
  if (nrf_clear_flags() & NRF_TX_DS) echo_sent();
}

static void overdue(void) {
  if (test.mode == LINK_MODE_PING) return ping_lost();
  if (test.mode == LINK_MODE_ECHO) return echo_sent();
  packet_stuck();
}

void link_end(void) {
  if (test.phase == OFF) return;
  test.phase = OFF;
  nrf_quiet();
}

static void stop_now(void) {
  link_end();
  test.stopped = false;
  msg_link_stop_answer a = {test.sent, test.delivered, test.received, test.dropped, nrf_stamps_late()};
  answer_later(test.stop, &a, sizeof a);
}

void link_poll(void) {
  if (test.phase == OFF) return;
  uint32_t at;
  if (hw_radio_irq_take(&at) || (test.phase >= IN_FLIGHT && nrf_looked(&at))) interrupt(at);
  bool due = (int32_t)(hw_ticks() - test.due) >= 0;
  switch (test.phase) {
    case WARMING:
      if (due) begin_phase();
      break;
    case READY: next_packet(); break;
    case TURNING: turn(); break;
    case IN_FLIGHT:
    case AWAITING:
      if (due) overdue();
      break;
    default: break;
  }
  if (test.stopped && test.phase != IN_FLIGHT) return stop_now();
  if (test.phase == WARMING || test.phase == IN_FLIGHT || test.phase == AWAITING) wake_at(test.due);
}

// ---------------------------------------------------------------- requests

static bool plausible(const msg_link_start &m) {
  uint8_t least = m.mode >= LINK_MODE_PING ? 8 : 3;
  return m.mode < LINK_MODE_COUNT && m.payload >= least && m.payload <= NRF_PAYLOAD_MAX &&
         m.interval_us < 1000000000UL;
}

uint8_t on_link_start(const Request &r) {
  const msg_link_start &m = *(const msg_link_start *)r.fields;
  if (!plausible(m)) return ERROR_VALUE;
  if (m.mode == LINK_MODE_SEND_ACK && nrf_needs_fixed_length()) return ERROR_VALUE;
  memset(&test, 0, sizeof test);
  test.mode = m.mode;
  test.test = m.test;
  test.payload = m.payload;
  test.left = m.count;
  test.endless = m.count == 0;
  test.interval = m.interval_us * TICKS_PER_US;
  nrf_fixed_length(m.payload);
  if (nrf_apply()) return ERROR_PART;
  test.due = hw_ticks() + NRF_START_MS * TICKS_PER_MS;
  test.phase = WARMING;
  in_place<msg_link_start_answer>(r).start = test.due;
  return answer_in_place(r, sizeof(msg_link_start_answer));
}

// A packet in the air is waited for: registers are written in standby only (table 20).
uint8_t on_link_stop(const Request &r) {
  test.stop = later(r);
  test.stopped = true;
  test.left = 0;
  test.endless = false;
  if (test.phase != IN_FLIGHT) stop_now();
  return ANSWERED;
}
