// SPDX-License-Identifier: MIT
// What of hw.h is done otherwise on a chip that belongs to somebody else's sketch: as much of it as the marks and the
// link test need. No interrupt but the serial line's, timer 1's overflow and capture, and INT0: see probe_mark.h.
#include <avr/interrupt.h>
#include <avr/io.h>
#include "hw_chip.h"
#include "mark_parts.h"
#include "probe_mark.h"

// ---------------------------------------------------------------- time

void mark_ticks_start(void) {
  uint8_t held = hw_hold();
  TCCR1A = 0;
  TCCR1B = (TCCR1B & _BV(ICES1)) | _BV(CS11);
  TIMSK1 |= _BV(TOIE1);
  hw_release(held);
}

// Held for as little as can be: the sketch's own interrupts wait meanwhile.
uint32_t hw_ticks(void) {
  HwStamp stamp;
  uint8_t held = hw_hold();
  HW_STAMP(stamp);
  hw_release(held);
  return hw_stamp_tick(stamp);
}

void hw_wait_us(uint8_t us) {
  uint32_t from = hw_ticks();
  while (hw_ticks() - from <= us * TICKS_PER_US) {
  }
}

void hw_hold_ms(void) {}  // there is no guard, and no pulse outputs

void hw_release_ms(void) {}

bool hw_pins_reserved(uint8_t) { return false; }

void hw_wait_tick(uint32_t tick) {
  while ((int32_t)(tick - hw_ticks()) > 40) {
  }
  uint8_t held = hw_hold();
  while ((int32_t)(tick - hw_ticks_held()) > 0) {
  }
  hw_release(held);
}

// ---------------------------------------------------------------- pins

void hw_pin_output(uint8_t pin, bool level) {
  if (!hw_pin_exists(pin)) return;
  uint8_t held = hw_hold();
  if (level) {
    HW_PORT(pin)[HW_OUT] |= HW_MASK(pin);
  } else {
    HW_PORT(pin)[HW_OUT] &= (uint8_t)~HW_MASK(pin);
  }
  HW_PORT(pin)[HW_DDR] |= HW_MASK(pin);
  hw_release(held);
}

uint32_t hw_pin_pull(uint8_t pin, bool pull, bool up) {
  if (pull) {
    hw_pin_output(pin, up);
    return hw_ticks();
  }
  uint8_t held = hw_hold();
  HW_PORT(pin)[HW_DDR] &= (uint8_t)~HW_MASK(pin);
  if (up) {
    HW_PORT(pin)[HW_OUT] &= (uint8_t)~HW_MASK(pin);
  } else {
    HW_PORT(pin)[HW_OUT] |= HW_MASK(pin);
  }
  hw_release(held);
  return hw_ticks();
}

// ---------------------------------------------------------------- the transceiver's IRQ

static uint8_t irq_pin = NO_PIN;
static bool irq_was_low;

bool hw_radio_irq_low(void) { return irq_pin != NO_PIN && !hw_pin_read(irq_pin); }

#if PROBE_INT0
#define IRQ_INT0_PIN 0x32
static volatile bool irq_fell;
static HwStamp irq_at;

ISR(INT0_vect) {
  HW_STAMP(irq_at);
  irq_fell = true;
}

static void irq_interrupt(bool on) {
  EICRA = (EICRA & (uint8_t)~_BV(ISC00)) | _BV(ISC01);  // falling edge
  EIFR = _BV(INTF0);
  EIMSK = on ? EIMSK | _BV(INT0) : EIMSK & (uint8_t)~_BV(INT0);
}
#endif

void hw_radio_irq_bind(uint8_t pin) {
  uint8_t held = hw_hold();
#if PROBE_INT0
  if (pin == IRQ_INT0_PIN || irq_pin == IRQ_INT0_PIN) irq_interrupt(pin == IRQ_INT0_PIN);
#endif
  irq_pin = hw_pin_exists(pin) ? pin : NO_PIN;
  irq_was_low = false;
  hw_release(held);
}

bool hw_radio_irq_take(uint32_t *at) {
#if PROBE_INT0
  if (irq_pin == IRQ_INT0_PIN) {
    uint8_t held = hw_hold();
    bool fell = irq_fell;
    HwStamp stamp = irq_at;
    irq_fell = false;
    hw_release(held);
    if (fell) *at = hw_stamp_tick(stamp);
    return fell;
  }
#endif
  bool low = hw_radio_irq_low(), fell = low && !irq_was_low;
  irq_was_low = low;
  if (fell) *at = hw_ticks();
  return fell;
}

// ---------------------------------------------------------------- memory

extern uint8_t __heap_start;  // first byte after the data, from the linker

void mark_paint_stack(void) {
  for (uint8_t *p = &__heap_start; p < (uint8_t *)SP - 16; p++) *p = HW_PAINT;
}
