// SPDX-License-Identifier: MIT
// The probe inside your own sketch: start it once, poll it in loop(), mark what happens. marked_pair/ shows it.
//
//   void setup() { ... PROBE_BEGIN(PROBE_HAND, "mudlark-hand-01"); }
//   void loop() {
//     if (PROBE_POLL()) return;  // the probe has the transceiver: leave it alone, outputs to their safe state
//     ...
//   }
//
// What it takes of the chip: the serial line at 500 000 baud; timer 1, running free at 2 MHz (1 MHz on an 8 MHz chip)
// with its overflow interrupt. The timer's compare units are yours: set bits in TIMSK1 with |=, and leave TCCR1A at 0
// and the clock at one eighth. Nothing is kept in EEPROM. A mark costs less than 5 us at 16 MHz, also in an interrupt.
#pragma once
#include <stdint.h>

// 1: the probe is in your program. 0: nothing of it is.
#ifndef PROBE_ON
#define PROBE_ON 1
#endif
// 1: interrupt INT0 stamps the transceiver's IRQ on PD2 while the probe tests the link. 0: INT0 is yours.
#ifndef PROBE_INT0
#define PROBE_INT0 1
#endif
// 1: timer 1's capture interrupt measures pulses on PB0 when asked. 0: it is yours.
#ifndef PROBE_CAPTURE
#define PROBE_CAPTURE 1
#endif

#if PROBE_ON
#define PROBE_HAND 0
#define PROBE_CRAFT 1
#define PROBE_BEGIN(role, label) probe_mark_begin(role, label)
#define PROBE_POLL() probe_mark_poll()                            // true: hands off the transceiver until it is false
#define PROBE_SWITCH(level) probe_mark(0, (level))                // hand: seen at its pin, 0 is pressed
#define PROBE_DECIDED(level) probe_mark(1, (level))               // hand: the debouncer takes it for true
#define PROBE_QUEUED(number) probe_mark(2, (number))              // hand: the packet's upload begins
#define PROBE_SENT(number) probe_mark(3, (number))                // hand: CE goes up
#define PROBE_RECEIVED(number) probe_mark(5, (number))            // craft: the packet is there
#define PROBE_LED(on) probe_mark(6, (on) ? 1 : 0)                 // craft: the LED's pin is written
#define PROBE_PULSE(us) probe_mark(6, 2 * (us))                   // craft: the servo's width is set
#define PROBE_STICK(axis, value) probe_mark_stick((axis), (value))  // hand: 0 x, 1 y; or what the host plays

#ifdef __cplusplus
extern "C" {
#endif
void probe_mark_begin(uint8_t role, const char *label);
uint8_t probe_mark_poll(void);
void probe_mark(uint8_t point, uint16_t value);
uint16_t probe_mark_stick(uint8_t axis, uint16_t value);
#ifdef __cplusplus
}
#endif
#else
#define PROBE_BEGIN(role, label) ((void)0)
#define PROBE_POLL() 0
#define PROBE_SWITCH(level) ((void)0)
#define PROBE_DECIDED(level) ((void)0)
#define PROBE_QUEUED(number) ((void)0)
#define PROBE_SENT(number) ((void)0)
#define PROBE_RECEIVED(number) ((void)0)
#define PROBE_LED(on) ((void)0)
#define PROBE_PULSE(us) ((void)0)
#define PROBE_STICK(axis, value) (value)
#endif
