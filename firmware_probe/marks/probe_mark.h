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
// and the clock at one eighth. Nothing is kept in EEPROM. A mark costs at most 40 cycles, 5 us at 8 MHz, with its
// value fetched from memory, and some 60 bytes of flash; an interrupt routine saves up to six registers more for it.
// Nine are kept between two polls; the host learns that more were lost.
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
#define PROBE_SWITCH(level) PROBE_MARK_(0, level)                 // hand: seen at its pin, 0 is pressed
#define PROBE_DECIDED(level) PROBE_MARK_(1, level)                // hand: the debouncer takes it for true
#define PROBE_QUEUED(number) PROBE_MARK_(2, number)               // hand: the packet's upload begins
#define PROBE_SENT(number) PROBE_MARK_(3, number)                 // hand: CE goes up
#define PROBE_RECEIVED(number) PROBE_MARK_(5, number)             // craft: the packet is there
#define PROBE_LED(on) PROBE_MARK_(6, sizeof(on) > 2 ? (on) != 0 : (on))  // craft: the LED's pin is written
#define PROBE_PULSE(us) PROBE_MARK_(7, us)                        // craft: the servo's width is set
#define PROBE_STICK(axis, value) probe_mark_stick((axis), (value))  // hand: 0 x, 1 y; or what the host plays

#ifdef __cplusplus
extern "C" {
#endif
#include <avr/io.h>

void probe_mark_begin(uint8_t role, const char *label);
uint8_t probe_mark_poll(void);
uint16_t probe_mark_stick(uint8_t axis, uint16_t value);

// The next mark's place, and where the last place ends: a mark there goes no further, and the next one overwrites it.
// All of them lie in one page of 256 bytes, so only the low byte changes.
struct ProbeMarks {
  volatile void *next, *end;
};
extern volatile struct ProbeMarks probe_marks;
extern volatile uint16_t hw_overflows;

// A mark where it stands, without a call: timer 1's count, its overflows, the point with bit 7 for an overflow that had
// not been counted yet, and the value.
#define PROBE_MARK_(number, what) \
  __extension__({ \
    uint16_t place_; \
    uint8_t byte_, point_; \
    __asm__ volatile( \
        "in __tmp_reg__, __SREG__\n\t" \
        "cli\n\t" \
        "lds %A[place], %[marks]\n\t" \
        "lds %B[place], %[marks]+1\n\t" \
        "lds %[byte], %[count]\n\t" \
        "st %a[place]+, %[byte]\n\t" \
        "lds %[byte], %[count]+1\n\t" \
        "st %a[place]+, %[byte]\n\t" \
        "ldi %[point], %[as]\n\t" \
        "sbic %[flags], %[overflow]\n\t" \
        "ori %[point], 0x80\n\t" \
        "lds %[byte], %[overflows]\n\t" \
        "st %a[place]+, %[byte]\n\t" \
        "st %a[place]+, %[point]\n\t" \
        "st %a[place]+, %A[value]\n\t" \
        "st %a[place]+, %B[value]\n\t" \
        "lds %[byte], %[marks]+2\n\t" \
        "cp %A[place], %[byte]\n\t" \
        "breq 1f\n\t" \
        "sts %[marks], %A[place]\n" \
        "1: out __SREG__, __tmp_reg__" \
        : [place] "=&e"(place_), [byte] "=&r"(byte_), [point] "=&d"(point_) \
        : [marks] "i"(&probe_marks), [count] "n"(_SFR_MEM_ADDR(TCNT1L)), [flags] "I"(_SFR_IO_ADDR(TIFR1)), \
          [overflow] "I"(TOV1), [overflows] "i"(&hw_overflows), [as] "M"(number), [value] "r"((uint16_t)(what))); \
  })
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
