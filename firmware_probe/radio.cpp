// SPDX-License-Identifier: MIT
// Raw access, single packets, the energy scan, and the look whether the transceiver still holds its settings.
#include <string.h>
#include "dispatch.h"
#include "frame.h"
#include "handlers.h"
#include "link.h"
#include "nrf24.h"
#include "outputs.h"
#include "probe.h"
#include "settings.h"

#define CHECK_MS 100
#define SEND_LIMIT (100 * TICKS_PER_MS)

static bool sending;
static Later send_answer;
static uint32_t send_from;

bool radio_busy(void);

// ---------------------------------------------------------------- raw and applied

uint8_t on_radio_spi(const Request &r) {
  if (r.size == 0 || r.size > NRF_PAYLOAD_MAX + 1) return ERROR_LENGTH;
  if (settings.pins[FUNCTION_RADIO_CSN] == NO_PIN) return ERROR_PIN;  // nor is the bus driven
  if ((r.fields[0] & 0xE0) == NRF_W_REGISTER) nrf_forget();  // whoever writes registers by hand answers for them
  answer_open(r);
  hw_spi_select();
  for (uint8_t i = 0; i < r.size; i++) {
    uint8_t byte = hw_spi_swap(r.fields[i]);
    frame_put(&byte, 1);
  }
  hw_spi_release();
  frame_close();
  return ANSWERED;
}

uint8_t on_radio_apply(const Request &r) {
  if (!nrf_present()) return ERROR_PART;
  uint8_t wrong = nrf_apply();
  in_place<msg_radio_apply_answer>(r) = {nrf_command(NRF_NOP), wrong};
  return answer_in_place(r, sizeof(msg_radio_apply_answer));
}

// ---------------------------------------------------------------- one packet

uint8_t on_radio_send(const Request &r) {
  const msg_radio_send &m = *(const msg_radio_send *)r.fields;
  uint8_t size = r.size - sizeof m;
  if (size == 0 || size > NRF_PAYLOAD_MAX) return ERROR_LENGTH;
  nrf_fixed_length(size);
  bool warm = nrf_good() && !nrf_needs_fixed_length();
  if (!warm && nrf_apply()) return ERROR_PART;
  if (nrf_starting()) return AGAIN;
  nrf_sender();
  nrf_clear_flags();
  hw_radio_irq_take(&send_from);
  nrf_upload(r.fields + sizeof m, size, m.no_ack || nrf_needs_fixed_length());
  send_answer = later(r);
  send_from = hw_ticks();
  nrf_pulse();
  nrf_expect();
  sending = true;
  return ANSWERED;
}

static void poll_send(void) {
  if (!sending) return;
  uint32_t at;
  uint8_t status = nrf_event(&at) ? nrf_clear_flags() : 0;
  bool over = status & (NRF_TX_DS | NRF_MAX_RT);
  if (!over && hw_ticks() - send_from < SEND_LIMIT) return;
  sending = false;
  if (!over) {
    nrf_command(NRF_FLUSH_TX);
    refuse_later(send_answer, ERROR_PART, nrf_command(NRF_NOP));
    return;
  }
  if (status & NRF_MAX_RT) nrf_command(NRF_FLUSH_TX);
  uint32_t took = (at - send_from) / TICKS_PER_US;
  msg_radio_send_answer a = {(uint8_t)((status & NRF_TX_DS) != 0), (uint8_t)(nrf_read(NRF_OBSERVE_TX) & 0x0F),
                             (uint16_t)(took > 0xFFFF ? 0xFFFF : took)};
  uint8_t back = status & NRF_RX_DR ? nrf_download(nrf_buffer) : 0;
  Request to = {send_answer.type, send_answer.number, nullptr, 0};
  answer_open(to);
  frame_put(&a, sizeof a);
  frame_put(nrf_buffer, back);
  frame_close();
}

// ---------------------------------------------------------------- energy scan

static struct {
  bool on, listening;
  uint8_t first, last, channel;
  uint16_t sweep, sweeps;
  uint32_t dwell, due;
} scan;

// A frame names the channel of its first row.
static void scan_row(bool busy) {
  msg_scan head = {scan.sweep, scan.channel};
  row_scan row = {busy};
  event_row_first(MSG_SCAN, &head, sizeof head, sizeof head.sweep, &row, sizeof row);
}

static void scan_listen(void) {
  hw_ce(false);
  nrf_write(NRF_RF_CH, scan.channel);
  nrf_command(NRF_FLUSH_RX);
  nrf_listen();
  scan.due = hw_ticks() + scan.dwell;
}

static void scan_end(uint8_t status) {
  scan.on = false;
  nrf_apply();
  event_flush();
  send_done(MSG_ENERGY_SCAN, status, scan.sweep);
}

// The detector's bit is taken at the end of a receive period, so CE goes low before it is read (section 6.4).
static void poll_scan(void) {
  if (!scan.on) return;
  if (not_yet(scan.due)) return;
  if (scan.listening) {
    hw_ce(false);
    scan_row(nrf_read(NRF_RPD) & 1);
    if (scan.channel++ == scan.last) {
      scan.channel = scan.first;
      if (++scan.sweep == scan.sweeps) return scan_end(0);
      event_flush();
    }
  }
  scan.listening = true;
  scan_listen();
  wake_at(scan.due);
}

// 130 us of settling and 40 us of signal are the least for the detector (sections 6.1.4 and 6.4).
#define DWELL_LEAST_US 170
uint8_t on_energy_scan(const Request &r) {
  const msg_energy_scan &m = *(const msg_energy_scan *)r.fields;
  if (m.first > m.last || m.last > 125 || m.dwell_us < DWELL_LEAST_US || m.sweeps == 0) return ERROR_VALUE;
  nrf_fixed_length(NRF_PAYLOAD_MAX);
  if (nrf_apply()) return ERROR_PART;
  scan.first = scan.channel = m.first;
  scan.last = m.last;
  scan.sweep = 0;
  scan.sweeps = m.sweeps;
  scan.dwell = m.dwell_us * TICKS_PER_US;
  scan.due = hw_ticks() + NRF_START_MS * TICKS_PER_MS;
  scan.listening = false;
  scan.on = true;
  return HANDLED;
}

// ---------------------------------------------------------------- one turn

bool radio_busy(void) { return sending || scan.on || link_busy() || outputs_use_radio(); }

void radio_poll(void) {
  static uint8_t checked_ms;
  poll_send();
  poll_scan();
  if (radio_busy() || (probe_taken() & USES_RADIO)) {
    checked_ms = hw_ms();
  } else if ((uint8_t)(hw_ms() - checked_ms) >= CHECK_MS) {
    checked_ms = hw_ms();
    nrf_check();
  }
}
