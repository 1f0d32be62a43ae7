// SPDX-License-Identifier: MIT
// Both directions by interrupt. The transmit ring has a staged end, so that a frame is coded in place:
//
//   tail            head             staged
//    | going out ... | being coded ... | free
#include <avr/interrupt.h>
#include <avr/io.h>
#include "hw_chip.h"

#define RX_SIZE 108u  // a whole frame of the longest kind

static volatile uint8_t rx_ring[RX_SIZE];
static volatile uint8_t rx_head, rx_tail;
static volatile uint16_t overruns;
static volatile uint32_t frame_at;
static volatile uint8_t last_byte;
uint8_t hw_tx_ring[256];
uint8_t hw_tx_staged;
static volatile uint8_t tx_head, tx_tail;
static bool ever_sent;

// UBRR with U2X: exact at 500 000, 250 000 and 1 000 000 baud on both clocks; 115 200 is 2.1 % fast at 16 MHz and
// 3.5 % slow at 8 MHz (data sheet, "Examples of Baud Rate Setting").
static uint16_t divisor(uint8_t code) {
  const uint32_t eighth = F_CPU / 8;
  if (code == 1) return eighth / 250000 - 1;
  if (code == 2) return (eighth + 57600) / 115200 - 1;
  if (code == 3) return eighth / 1000000 - 1;
  return eighth / 500000 - 1;
}

void hw_uart_start(uint8_t baud_code) {
  UBRR0 = divisor(baud_code);
  UCSR0A = _BV(U2X0);
  UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
  UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

bool hw_uart_get(uint8_t *byte) {
  if (rx_head == rx_tail) return false;
  *byte = rx_ring[rx_tail];
  uint8_t next = rx_tail + 1;
  rx_tail = next == RX_SIZE ? 0 : next;
  return true;
}

uint32_t hw_uart_frame_at(void) {
  uint8_t held = hw_hold();
  uint32_t at = frame_at;
  hw_release(held);
  return at;
}

uint16_t hw_uart_overruns(void) {
  uint8_t held = hw_hold();
  uint16_t n = overruns;
  hw_release(held);
  return n;
}

uint8_t hw_uart_room(void) { return (uint8_t)(tx_tail - hw_tx_staged - 1); }

void hw_uart_commit(void) {
  uint8_t held = hw_hold();
  tx_head = hw_tx_staged;
  UCSR0A = _BV(U2X0) | _BV(TXC0);  // writing the flag clears it
  if (tx_head != tx_tail) UCSR0B |= _BV(UDRIE0);
  hw_release(held);
  ever_sent = true;
}

void hw_uart_drop(void) { hw_tx_staged = tx_head; }

bool hw_uart_sent(void) {
  return !(UCSR0B & _BV(UDRIE0)) && (!ever_sent || (UCSR0A & _BV(TXC0)));
}

ISR(USART_RX_vect) {
  uint8_t status = UCSR0A, byte = UDR0;
  if (status & (_BV(DOR0) | _BV(FE0))) overruns++;
  uint8_t next = rx_head + 1;
  if (next == RX_SIZE) next = 0;
  if (next == rx_tail) {
    overruns++;
  } else {
    rx_ring[rx_head] = byte;
    rx_head = next;
  }
  if (byte == 0) {
    if (last_byte != 0) frame_at = hw_ticks_held();
    hw_work = 1;
  }
  last_byte = byte;
  if (next % 32 == 0) hw_work = 1;  // the ring must not fill up while the program sleeps
}

ISR(USART_UDRE_vect) {
  uint8_t tail = tx_tail;
  UDR0 = hw_tx_ring[tail++];
  tx_tail = tail;
  if (tail == tx_head) UCSR0B &= (uint8_t)~_BV(UDRIE0);
}
