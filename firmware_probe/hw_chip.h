// SPDX-License-Identifier: MIT
// What the hw_*.cpp files share among themselves; nothing else includes this.
#pragma once
#include "catalogue.h"
#include "hw.h"

#ifndef F_CPU
#error "F_CPU must be 16000000UL or 8000000UL"
#endif
#if F_CPU == 16000000UL
#define HW_TICK_SHIFT 0
#elif F_CPU == 8000000UL
#define HW_TICK_SHIFT 1
#else
#error "F_CPU must be 16000000UL or 8000000UL"
#endif

extern volatile uint8_t hw_work;  // an interrupt has left something to do
extern volatile uint16_t hw_overflows;

// A time stamp taken in the fewest cycles; made a tick later, within the 8 seconds of 256 overflows. Assembly writes it
// too: its layout counts.
struct HwStamp {
  uint16_t count;
  uint8_t flags, overflows;
};
#define HW_STAMP(s) ((s).count = TCNT1, (s).flags = TIFR1, (s).overflows = (uint8_t)hw_overflows)
uint32_t hw_stamp_tick(const HwStamp &s);

// An interrupt that holds back only itself, by its bit in the register of its enables, while its work is done. All
// others wait 18 cycles for it, not until its end.
#define HW_OPEN_ISR(vector, enables, bit) HW_OPEN_ISR_(vector, enables, bit)
#define HW_OPEN_ISR_(vector, enables, bit) \
  extern "C" void vector##_open(void) __attribute__((signal, used, externally_visible)); \
  ISR(vector, ISR_NAKED) { \
    __asm__("push r24\n in r24, __SREG__\n push r24\n lds r24, %0\n andi r24, %1\n sts %0, r24\n sei\n" \
            "call " #vector "_open\n cli\n lds r24, %0\n ori r24, %2\n sts %0, r24\n" \
            "pop r24\n out __SREG__, r24\n pop r24\n sei\n ret" ::"n"(_SFR_MEM_ADDR(enables)), \
            "n"((uint8_t) ~_BV(bit)), "n"(_BV(bit))); \
  } \
  void vector##_open(void)

#define HW_PAINT 0xC5  // of the stack that was never used

void hw_ticks_start(void);
void hw_adc_start(void);
void hw_pulse_start(void);

// the three registers of a port lie together: PIN, DDR, PORT; masked, the number is found without a loop of shifts
#define HW_PORT(pin) ((volatile uint8_t *)(0x20 + 3 * (((pin) & 0xF0) >> 4)))
// looked up: this chip shifts one place at a time
extern uint8_t hw_bit[8];
#define HW_MASK(pin) (hw_bit[(pin) & 7])
#define HW_PIN 0
#define HW_DDR 1
#define HW_OUT 2

// pins that the pulse outputs own: nothing else may write them
void hw_pins_reserve(uint8_t pin);
void hw_pins_release_all(void);
bool hw_pins_reserved(uint8_t pin);
