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

// A time stamp taken in the fewest cycles; made a tick later.
struct HwStamp {
  uint16_t count, overflows;
  uint8_t flags;
};
#define HW_STAMP(s) ((s).count = TCNT1, (s).flags = TIFR1, (s).overflows = hw_overflows)
inline uint32_t hw_stamp_tick(const HwStamp &s) {
  uint16_t high = s.overflows + ((s.flags & 1) && s.count < 0x8000);  // TOV1 is bit 0
  return (((uint32_t)high << 16) | s.count) << HW_TICK_SHIFT;
}

void hw_ticks_start(void);
void hw_adc_start(void);
void hw_pulse_start(void);

// the three registers of a port lie together: PIN, DDR, PORT
#define HW_PORT(pin) ((volatile uint8_t *)(0x20 + 3 * ((pin) >> 4)))
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
