// SPDX-License-Identifier: MIT
#include "relay.h"
#include "board.h"
#include "control_loop.h"
#include "frame.h"
#include "nrf24.h"
#include "probe.h"
#include "settings.h"

#define RETRY_MS 16  // between two tries to set the transceiver up, a power of two

static bool begun;                  // a host has begun with us in this life
static uint8_t next_in, next_out;   // numbers, 0 or 1
static uint8_t size_out;            // bytes in the piece that is on its way

void relay_take(uint8_t size) {
  uint8_t head = nrf_buffer[0] ^ PIECE_TO_BOARD;
  if (!settings.air_reach || (head & 0xF0) || (size != 1 && size < 9)) return;
  if (head & PIECE_BEGIN_ANEW) {
    next_in = next_out = size_out = 0;
    hw_uart_divert(true);
    if (!begun) send_boot();
    begun = true;
  }
  if (!begun) return;
  if (size_out && (head & PIECE_WANTED) >> 1 != next_out) {
    hw_uart_skip(size_out);
    size_out = 0;
    next_out ^= PIECE_NUMBER;
  }
  if (!(head & PIECE_AT_ONCE)) {
    if (size == 1 || (head & PIECE_NUMBER) != next_in) return;
    next_in ^= PIECE_NUMBER;
  }
  probe_feed(nrf_buffer + 1, size - 1);
}

// A piece leaves the transceiver when the packet after the one that took it comes; if that one did not ask for the
// next piece, the same bytes go out again.
static void load(void) {
  nrf_buffer[0] = PIECE_FROM_BOARD | (begun ? next_out : (uint8_t)PIECE_BEGIN_ANEW);
  size_out = hw_uart_peek(nrf_buffer + 1, NRF_PAYLOAD_MAX - 1);
  if (begun && !size_out) return event_flush();  // rows are gathered until there is a way for them
  hw_spi_send(NRF_W_ACK_PAYLOAD, nrf_buffer, size_out + 1);
}

void relay_poll(void) {
  if (!settings.air_reach || nrf_needs_fixed_length()) return;
  bool taken = probe_taken() & USES_RADIO;
  if (taken && !loop_receives()) return;
  if (!nrf_listening()) {
    if (taken || (uint8_t)hw_ms() % RETRY_MS || nrf_apply()) return;
    nrf_listen();
  }
  if (!taken) {
    hw_ce(true);  // the pins may have been wired anew
    if (!(nrf_read(NRF_FIFO_STATUS) & NRF_FIFO_RX_EMPTY) && !probe_pending()) {
      nrf_clear_flags();
      relay_take(nrf_download(nrf_buffer));
      wake_at(hw_ticks());
    }
  }
  if (nrf_read(NRF_FIFO_STATUS) & NRF_FIFO_TX_EMPTY) load();
}
