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
  IN_FLIGHT,
  AWAITING,   // pinger: listening for the echo
  LISTENING,
  TURNING,    // echo: reply uploaded, CE due at a stated tick
};

static struct {
  uint8_t phase, mode, test, payload;
  bool uploaded, endless;
  uint32_t left, interval, next_at;
  uint16_t packet;          // number of the next payload to upload
  uint32_t queued_at;       // of the payload that is uploaded and waits
  uint32_t due;             // deadline or the echo's CE
  uint32_t sent, delivered, received;
  uint16_t dropped;
} t;

struct Flight {
  uint16_t packet;
  uint32_t queued, ce;
};
static Flight air;          // the one in the air; for an echo, ce is when its ping arrived

static uint8_t *const buffer = nrf_buffer;

#define NO_ACK_MODE (t.mode != LINK_MODE_SEND_ACK)
// A sender that hears nothing of its packet for so long has lost it: 16 tries of 1316 us + 4 ms (section 7.4.2).
#define FLIGHT_LIMIT (100 * TICKS_PER_MS)
// An echo that is later than its turnaround and this will not come: two air times at 250 kbps, settling, margin.
#define ECHO_MARGIN (6 * TICKS_PER_MS)

bool link_busy(void) { return t.phase != OFF; }

#define TIGHT (600 * TICKS_PER_US)
bool link_tight(void) { return t.phase == TURNING && (int32_t)(t.due - hw_ticks()) < (int32_t)TIGHT; }

static bool is_sender(void) { return t.mode == LINK_MODE_SEND || t.mode == LINK_MODE_SEND_ACK || t.mode == LINK_MODE_PING; }

// ---------------------------------------------------------------- sending

static HW_FAST void fill(void) {
  buffer[0] = (uint8_t)t.packet;
  buffer[1] = t.packet >> 8;
  buffer[2] = t.test;
  for (uint8_t i = 3; i < t.payload; i++) buffer[i] = (uint8_t)(t.packet * 37 + i * 101);
}

static void upload_next(void) {
  if (t.uploaded || (t.left == 0 && !t.endless)) return;
  fill();
  t.queued_at = hw_ticks();
  nrf_upload(buffer, t.payload, NO_ACK_MODE);
  t.uploaded = true;
}

// CE has just risen; the rest is done while the packet settles.
static void launched(uint32_t ce) {
  air.packet = t.packet++;
  air.queued = t.queued_at;
  air.ce = ce;
  t.uploaded = false;
  if (!t.endless) t.left--;
  t.sent++;
  t.phase = IN_FLIGHT;
  t.next_at += t.interval;
  t.due = ce + FLIGHT_LIMIT;
  hw_wait_us(8);  // with the above the 10 us that CE must be high
  hw_ce(false);
}

static void count_row(bool kept) {
  if (!kept && t.dropped != 0xFFFF) t.dropped++;
}

static void record_sent(const Flight &f, uint32_t done, uint8_t result) {
  uint32_t wait = f.ce - f.queued;
  row_link_sent row = {f.packet, f.queued, (uint16_t)(wait > 0xFFFF ? 0xFFFF : wait), done, result};
  count_row(event_row(MSG_LINK_SENT, &t.test, 1, &row, sizeof row));
}

static bool more(void) { return t.endless || t.left != 0; }

static void finish_test(void) {
  event_flush();
  nrf_sender();
  t.phase = OFF;
  send_done(MSG_LINK_START, 0, (uint16_t)t.sent);
}

// Back to back, the next payload is uploaded while this packet flies; at a pace, right before its time, so that
// "queued" means the same for every packet of a test.
static void next_packet(void) {
  t.phase = READY;
  if (t.interval) {
    uint32_t now = hw_ticks();
    if (not_yet(t.next_at)) return;
    if (now - t.next_at > t.interval) t.next_at = now;  // late by a whole interval: no catching up in a burst
  }
  upload_next();
  launched(hw_ce_rise());
  if (t.interval == 0 && t.mode != LINK_MODE_PING) upload_next();
}

static void after_packet(void) {
  if (more()) {
    next_packet();
  } else {
    t.phase = READY;
  }
}

static void packet_done(uint32_t at) {
  uint8_t observe, status = nrf_finish(&observe);
  if (!(status & (NRF_TX_DS | NRF_MAX_RT))) return;
  // back to back the next payload is up already: CE first, everything else while that packet settles
  bool quick = t.uploaded && !(status & NRF_MAX_RT);
  uint32_t ce = quick ? hw_ce_rise() : 0;
  if (status & NRF_MAX_RT) {  // the packet stays in the FIFO, with the next one behind it
    nrf_command(NRF_FLUSH_TX);
    t.uploaded = false;
  } else if (t.mode == LINK_MODE_SEND_ACK) {
    t.delivered++;
  }
  uint8_t result = status & NRF_TX_DS ? 0x10 : 0;
  if (t.mode == LINK_MODE_SEND_ACK) result |= observe & 0x0F;
  Flight gone = air;
  if (quick) {
    launched(ce);
    upload_next();
  } else {
    after_packet();
  }
  record_sent(gone, at, result);  // coded while the next packet flies
  if (t.phase == READY && !more()) finish_test();
}

// The transceiver has said nothing for longer than any packet takes: it lost its supply or its settings.
static void packet_stuck(void) {
  nrf_check();
  nrf_give_up();
  t.uploaded = false;
  Flight gone = air;
  record_sent(gone, hw_ticks(), 0);
  after_packet();
  if (t.phase == READY && !more()) finish_test();
}

// ---------------------------------------------------------------- pinging

static void record_ping(uint32_t back, uint32_t there, uint16_t turnaround, uint8_t result) {
  row_link_pinged row = {air.packet, air.ce, back, there, turnaround, result};
  count_row(event_row(MSG_LINK_PINGED, &t.test, 1, &row, sizeof row));
}

static void after_ping(void) {
  nrf_quiet();
  if (more()) {
    t.phase = READY;
    if (t.interval == 0) t.next_at = hw_ticks();
  } else {
    finish_test();
  }
}

static void ping_sent(void) {
  if (!(nrf_clear_flags() & NRF_TX_DS)) return;
  nrf_listen();
  t.phase = AWAITING;
  t.due = air.ce + settings.turnaround_ticks + ECHO_MARGIN;
}

static void ping_lost(void) {
  if (t.phase == IN_FLIGHT) {  // not even sent
    nrf_check();
    nrf_give_up();
  }
  record_ping(0, 0, 0, 0);
  after_ping();
}

static void echo_came(uint32_t at) {
  nrf_clear_flags();
  uint8_t size = nrf_download(buffer);
  uint16_t packet, turnaround;
  uint32_t there;
  memcpy(&packet, buffer, 2);
  memcpy(&there, buffer + 2, 4);
  memcpy(&turnaround, buffer + 6, 2);
  if (size < 8 || packet != air.packet) return;
  t.delivered++;
  record_ping(at, there, turnaround, 0x10);
  after_ping();
}

// ---------------------------------------------------------------- receiving and echoing

static void record_received(uint32_t at, bool queued) {
  row_link_received row;
  memcpy(&row.packet, buffer, 2);
  row.received = at;
  row.flags = queued;
  t.received++;
  count_row(event_row(MSG_LINK_RECEIVED, &t.test, 1, &row, sizeof row));
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
  t.due = at + turnaround;
  t.phase = TURNING;
  record_received(at, false);
}

// The last 100 us before the stated tick are waited out, so that CE rises on it.
static void turn(void) {
  if ((int32_t)(t.due - hw_ticks()) > (int32_t)(100 * TICKS_PER_US)) {
    wake_at(t.due - 90 * TICKS_PER_US);
    return;
  }
  hw_wait_tick(t.due);
  nrf_pulse();
  hw_let_in();
  t.due += FLIGHT_LIMIT;
  t.phase = IN_FLIGHT;
  t.sent++;
}

static void echo_sent(void) {
  nrf_give_up();
  nrf_listen();
  t.phase = LISTENING;
}

// ---------------------------------------------------------------- one turn

static void begin_phase(void) {
  if (is_sender()) {
    nrf_sender();
    t.next_at = hw_ticks();
    t.phase = READY;
  } else {
    nrf_listen();
    t.phase = LISTENING;
  }
}

static void interrupt(uint32_t at) {
  if (t.phase == LISTENING && t.mode == LINK_MODE_ECHO) return ping_came(at);
  if (t.phase == LISTENING) return receive_all(at);
  if (t.phase == AWAITING) return echo_came(at);
  if (t.phase != IN_FLIGHT) return;
  if (t.mode == LINK_MODE_PING) return ping_sent();
  if (t.mode == LINK_MODE_ECHO) return echo_sent();
  packet_done(at);
}

static void overdue(void) {
  if (t.mode == LINK_MODE_PING) return ping_lost();
  if (t.mode == LINK_MODE_ECHO) return echo_sent();
  packet_stuck();
}

void link_poll(void) {
  if (t.phase == OFF) return;
  uint32_t at;
  if (hw_radio_irq_take(&at)) {
    interrupt(at);
  } else if (hw_radio_irq_low() && (t.phase == LISTENING || t.phase == IN_FLIGHT)) {
    interrupt(hw_ticks());  // the edge came while the line was already low
  }
  bool due = (int32_t)(hw_ticks() - t.due) >= 0;
  switch (t.phase) {
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
  if (t.phase == WARMING || t.phase == IN_FLIGHT || t.phase == AWAITING) wake_at(t.due);
}

void link_end(void) {
  if (t.phase == OFF) return;
  t.phase = OFF;
  nrf_quiet();
}

// ---------------------------------------------------------------- requests

static bool plausible(const msg_link_start &m) {
  uint8_t least = m.mode >= LINK_MODE_PING ? 8 : 3;
  return m.mode < LINK_MODE_COUNT && m.payload >= least && m.payload <= NRF_PAYLOAD_MAX &&
         m.interval_us < 1000000000UL;
}

uint8_t on_link_start(const Request &r) {
  const msg_link_start &m = *(const msg_link_start *)r.fields;
  if (probe_taken() & USES_RADIO) return ERROR_BUSY;
  if (!plausible(m)) return ERROR_VALUE;
  if (m.mode == LINK_MODE_SEND_ACK && nrf_needs_fixed_length()) return ERROR_VALUE;
  memset(&t, 0, sizeof t);
  t.mode = m.mode;
  t.test = m.test;
  t.payload = m.payload;
  t.left = m.count;
  t.endless = m.count == 0;
  t.interval = m.interval_us * TICKS_PER_US;
  nrf_fixed_length(m.payload);
  if (nrf_apply()) return ERROR_PART;
  uint32_t ignored;
  hw_radio_irq_take(&ignored);
  uint32_t now = hw_ticks();
  t.due = now + NRF_START_MS * TICKS_PER_MS;
  t.phase = WARMING;
  msg_link_start_answer a = {t.due};
  return answer(r, &a, sizeof a);
}

uint8_t on_link_stop(const Request &r) {
  link_end();
  msg_link_stop_answer a = {t.sent, t.delivered, t.received, t.dropped};
  return answer(r, &a, sizeof a);
}
