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
static HwStamp frame_at;
static volatile uint8_t last_byte;
uint8_t hw_tx_ring[256];
uint8_t hw_tx_staged;
static volatile uint8_t tx_head, tx_tail;
static bool ever_sent;
bool hw_uart_diverted;

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
  HwStamp at = frame_at;
  hw_release(held);
  return hw_stamp_tick(at);
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
  if (tx_head != tx_tail && !hw_uart_diverted) UCSR0B |= _BV(UDRIE0);
  hw_release(held);
  ever_sent = true;
}

void hw_uart_divert(bool on) {
  hw_uart_diverted = on;
  uint8_t held = hw_hold();
  if (on) HW_STAMP(frame_at);
  UCSR0B &= (uint8_t)~_BV(UDRIE0);
  if (tx_head != tx_tail && !on) UCSR0B |= _BV(UDRIE0);
  hw_release(held);
}

uint8_t hw_uart_peek(uint8_t *to, uint8_t most) {
  uint8_t size = 0;
  for (uint8_t at = tx_tail; hw_uart_diverted && at != tx_head && size < most; at++) to[size++] = hw_tx_ring[at];
  return size;
}

void hw_uart_skip(uint8_t size) { tx_tail += size; }

void hw_uart_drop(void) { hw_tx_staged = tx_head; }

bool hw_uart_sent(void) {
  if (hw_uart_diverted) return tx_head == tx_tail;
  return !(UCSR0B & _BV(UDRIE0)) && (!ever_sent || (UCSR0A & _BV(TXC0)));
}

// Both in few cycles, for an edge that comes meanwhile is stamped late: about 55 (75 at a frame's end) and 40 until the
// others are let in again, which is before the registers are taken back.
#define SAVE "push r24\n push r25\n push r30\n push r31\n in r24, __SREG__\n push r24\n"
#define LEAVE "pop r24\n out __SREG__, r24\n sei\n pop r31\n pop r30\n pop r25\n pop r24\n reti\n"

// As C++ it would read:
//   if (UCSR0A has an error flag) overruns++;                          9:
//   next = rx_head + 1, around the ring; if there is no room, overruns++;
//   else rx_ring[rx_head] = byte, rx_head = next;
//   if (byte == 0 && last_byte != 0) HW_STAMP(frame_at);
//   last_byte = byte; if (byte == 0 || next % 32 == 0) hw_work = 1;    the ring must not fill up in the program's sleep
ISR(USART_RX_vect, ISR_NAKED) {
  __asm__(SAVE
          "lds r24, %[status]\n lds r25, %[data]\n andi r24, %[bad]\n brne 7f\n"
          "1: lds r30, %[head]\n mov r24, r30\n inc r24\n cpi r24, %[size]\n brne 2f\n ldi r24, 0\n"
          "2: lds r31, %[tail]\n cp r24, r31\n breq 8f\n"
          "ldi r31, 0\n subi r30, lo8(-(%[ring]))\n sbci r31, hi8(-(%[ring]))\n st Z, r25\n sts %[head], r24\n"
          "3: tst r25\n breq 5f\n andi r24, 31\n breq 6f\n"
          "4: sts %[last], r25\n" LEAVE
          "5: lds r30, %[last]\n tst r30\n breq 6f\n"
          "lds r30, %[count]\n lds r31, %[count]+1\n sts %[at], r30\n sts %[at]+1, r31\n"
          "in r30, %[flags]\n sts %[at]+2, r30\n lds r30, %[overflows]\n sts %[at]+3, r30\n"
          "6: ldi r24, 1\n sts %[work], r24\n rjmp 4b\n"
          "7: rcall 9f\n rjmp 1b\n"
          "8: rcall 9f\n rjmp 3b\n"
          "9: lds r30, %[lost]\n lds r31, %[lost]+1\n adiw r30, 1\n sts %[lost], r30\n sts %[lost]+1, r31\n ret\n"
          ::[status] "n"(_SFR_MEM_ADDR(UCSR0A)), [data] "n"(_SFR_MEM_ADDR(UDR0)), [bad] "n"(_BV(DOR0) | _BV(FE0)),
          [head] "i"(&rx_head), [tail] "i"(&rx_tail), [ring] "i"(rx_ring), [size] "n"(RX_SIZE), [last] "i"(&last_byte),
          [count] "n"(_SFR_MEM_ADDR(TCNT1)), [at] "i"(&frame_at), [flags] "n"(_SFR_IO_ADDR(TIFR1)),
          [overflows] "i"(&hw_overflows), [work] "i"(&hw_work), [lost] "i"(&overruns));
}

ISR(USART_UDRE_vect, ISR_NAKED) {
  __asm__(SAVE
          "lds r30, %[tail]\n mov r25, r30\n ldi r31, 0\n"
          "subi r30, lo8(-(%[ring]))\n sbci r31, hi8(-(%[ring]))\n ld r24, Z\n sts %[data], r24\n"
          "inc r25\n sts %[tail], r25\n lds r24, %[head]\n cpse r24, r25\n rjmp 1f\n"
          "lds r24, %[control]\n andi r24, %[keep]\n sts %[control], r24\n"
          "1: " LEAVE
          ::[tail] "i"(&tx_tail), [head] "i"(&tx_head), [ring] "i"(hw_tx_ring), [data] "n"(_SFR_MEM_ADDR(UDR0)),
          [control] "n"(_SFR_MEM_ADDR(UCSR0B)), [keep] "n"((uint8_t)~_BV(UDRIE0)));
}
