// SPDX-License-Identifier: MIT
// The contract of hw.h for a chip that belongs to somebody else's sketch: as much of it as the marks and the link test
// need, and no interrupt but timer 1's overflow, its capture and INT0 (see probe_mark.h) beside the serial line's.
#include <avr/boot.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <string.h>
#include "hw_chip.h"
#include "mark_parts.h"
#include "probe_mark.h"

volatile uint16_t hw_overflows;
volatile uint8_t hw_work;
uint8_t hw_bit[8] = {1, 2, 4, 8, 16, 32, 64, 128};

// ---------------------------------------------------------------- time

ISR(TIMER1_OVF_vect) { hw_overflows++; }

void mark_ticks_start(void) {
  uint8_t held = hw_hold();
  TCCR1A = 0;
  TCCR1B = (TCCR1B & _BV(ICES1)) | _BV(CS11);
  TIMSK1 |= _BV(TOIE1);
  hw_release(held);
}

uint32_t hw_ticks_held(void) {
  uint16_t low = TCNT1, high = hw_overflows;
  if ((TIFR1 & _BV(TOV1)) && low < 0x8000) high++;
  return (((uint32_t)high << 16) | low) << HW_TICK_SHIFT;
}

uint32_t hw_stamp_tick(const HwStamp &s) {
  uint8_t held = hw_hold();
  uint16_t high = hw_overflows;
  hw_release(held);
  high -= (uint8_t)(high - s.overflows);
  if ((s.flags & 1) && s.count < 0x8000) high++;  // TOV1 is bit 0
  return (((uint32_t)high << 16) | s.count) << HW_TICK_SHIFT;
}

// Held for as little as can be: the sketch's own interrupts wait meanwhile.
uint32_t hw_ticks(void) {
  HwStamp stamp;
  uint8_t held = hw_hold();
  HW_STAMP(stamp);
  hw_release(held);
  return hw_stamp_tick(stamp);
}

uint8_t hw_hold(void) {
  uint8_t held = SREG;
  cli();
  return held;
}

void hw_release(uint8_t held) { SREG = held; }

void hw_let_in(void) { sei(); }

void hw_wait_us(uint8_t us) {
  uint32_t from = hw_ticks();
  while (hw_ticks() - from <= us * TICKS_PER_US) {
  }
}

void hw_wait_tick(uint32_t tick) {
  while ((int32_t)(tick - hw_ticks()) > 40) {
  }
  uint8_t held = hw_hold();
  while ((int32_t)(tick - hw_ticks_held()) > 0) {
  }
  hw_release(held);
}

// ---------------------------------------------------------------- pins

bool hw_pin_exists(uint8_t pin) {
  uint8_t port = pin >> 4, bit = pin & 0x0F;
  if (port == 1 || port == 2) return bit < 6;
  return port == 3 && bit >= 2 && bit < 8;
}

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

bool hw_pin_read(uint8_t pin) { return hw_pin_exists(pin) && (HW_PORT(pin)[HW_PIN] & HW_MASK(pin)); }

uint32_t hw_pin_pull(uint8_t pin, bool low) {
  if (low) {
    hw_pin_output(pin, false);
    return hw_ticks();
  }
  uint8_t held = hw_hold();
  HW_PORT(pin)[HW_DDR] &= (uint8_t)~HW_MASK(pin);
  HW_PORT(pin)[HW_OUT] |= HW_MASK(pin);
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

// ---------------------------------------------------------------- pulses that come in

#if PROBE_CAPTURE
#define CAPTURES 8  // power of two
static HwCapture captures[CAPTURES];
static volatile uint8_t capture_head, capture_tail;
static uint32_t rise_at;
static bool risen;

void hw_capture(bool on) {
  uint8_t held = hw_hold();
  risen = false;
  capture_tail = capture_head;
  TCCR1B |= _BV(ICES1);
  TIFR1 = _BV(ICF1);
  TIMSK1 = on ? TIMSK1 | _BV(ICIE1) : TIMSK1 & (uint8_t)~_BV(ICIE1);
  hw_release(held);
}

bool hw_capture_take(HwCapture *capture) {
  if (capture_head == capture_tail) return false;
  *capture = captures[capture_tail];
  capture_tail = (capture_tail + 1) & (CAPTURES - 1);
  return true;
}

ISR(TIMER1_CAPT_vect) {
  uint16_t stamp = ICR1;
  bool rose = TCCR1B & _BV(ICES1);
  TCCR1B ^= _BV(ICES1);
  TIFR1 = _BV(ICF1);
  uint32_t now = hw_ticks_held();
  uint32_t at = now - ((uint32_t)(uint16_t)((uint16_t)(now >> HW_TICK_SHIFT) - stamp) << HW_TICK_SHIFT);
  uint8_t next = (capture_head + 1) & (CAPTURES - 1);
  if (rose) {
    rise_at = at;
  } else if (risen && next != capture_tail) {
    uint32_t width = at - rise_at;
    captures[capture_head].rise = rise_at;
    captures[capture_head].width = width > 0xFFFF ? 0xFFFF : width;
    capture_head = next;
  }
  risen = rose;
}
#endif

// ---------------------------------------------------------------- memory

#define PAINT 0xC5
extern uint8_t __heap_start;           // first byte after the data, from the linker
extern const uint8_t __data_load_end;  // first flash byte after the image, from the linker

void mark_paint_stack(void) {
  for (uint8_t *p = &__heap_start; p < (uint8_t *)SP - 16; p++) *p = PAINT;
}

uint16_t hw_stack_free(void) {
  const uint8_t *p = &__heap_start;
  while (p < (const uint8_t *)RAMEND && *p == PAINT) p++;
  return p - &__heap_start;
}

uint16_t hw_image_size(void) { return (uint16_t)&__data_load_end; }

uint32_t hw_clock_hz(void) { return F_CPU; }

void hw_signature(uint8_t *three) {
  uint8_t held = hw_hold();
  for (uint8_t i = 0; i < 3; i++) three[i] = boot_signature_byte_get(2 * i);
  hw_release(held);
}

void hw_flash_read(void *to, const void *from, uint8_t size) { memcpy_P(to, from, size); }
uint8_t hw_flash_byte(uint16_t address) { return pgm_read_byte(address); }
uint32_t hw_flash_u32(const uint32_t *from) { return pgm_read_dword(from); }
