// SPDX-License-Identifier: MIT
// Pulse outputs.
//
// PB1 and PB2 are switched by timer 1's compare units: no jitter, whatever the program does. Other pins are switched
// by an interrupt of timer 0 that comes some ticks early and waits for the very tick. Measured with six outputs and a
// busy serial line: edges within 10 us of their tick; where two edges fall within 30 us of each other, as at 400 Hz,
// the later one up to 60 us late.
#include <avr/interrupt.h>
#include <avr/io.h>
#include "guard.h"
#include "hw_chip.h"

#define LEAD 100           // ticks before an edge at which its interrupt comes: entry and search take 20 to 40 us
#define HELD 12            // ticks before an edge from which on nothing else is let in
#define START_DELAY 400    // ticks, from the order to the first pulse

struct Pulse {
  uint8_t pin;
  bool motor, running, high;
  uint16_t width;          // ticks, of the next pulse; 0: none
  uint16_t last;           // ticks, of the pulse being delivered
  uint32_t next;           // tick of the next edge (pins without a compare unit)
};
static Pulse pulses[HW_PULSES];
static uint16_t frame = 40000;
static bool motors_silent;

static Pulse *compare_a, *compare_b;

static void level(const Pulse &p, bool on) {
  volatile uint8_t *out = HW_PORT(p.pin) + HW_OUT;
  if (on) {
    *out |= HW_MASK(p.pin);
  } else {
    *out &= (uint8_t)~HW_MASK(p.pin);
  }
}

// Width of the pulse that begins now. A pin that has risen must fall: a train that was ended meanwhile still gets
// this pulse, at its last width.
static uint16_t begin_pulse(Pulse &p) {
  if (p.width) p.last = p.width;
  p.high = true;
  return p.last;
}

static bool wanted(const Pulse &p) { return p.width && !(p.motor && motors_silent); }

// ---------------------------------------------------------------- timer 1's compare units

// COM bits: 3 sets the pin at the next match, 2 clears it.
static void mode_a(uint8_t com) { TCCR1A = (TCCR1A & 0x3F) | (uint8_t)(com << COM1A0); }
static void mode_b(uint8_t com) { TCCR1A = (TCCR1A & 0xCF) | (uint8_t)(com << COM1B0); }

// After a match: the pin has just risen or fallen; prepare the other edge. A rise is prepared only when a pulse is
// wanted, so a train ends with the pin low.
ISR(TIMER1_COMPA_vect) {
  Pulse &p = *compare_a;
  if (!p.high) {
    OCR1A += begin_pulse(p) >> HW_TICK_SHIFT;
    mode_a(2);
  } else {
    p.high = false;
    p.running = wanted(p);
    if (p.running) {
      OCR1A += (frame - p.last) >> HW_TICK_SHIFT;
      mode_a(3);
    } else {
      TIMSK1 &= (uint8_t)~_BV(OCIE1A);
      mode_a(0);
    }
  }
}

ISR(TIMER1_COMPB_vect) {
  Pulse &p = *compare_b;
  if (!p.high) {
    OCR1B += begin_pulse(p) >> HW_TICK_SHIFT;
    mode_b(2);
  } else {
    p.high = false;
    p.running = wanted(p);
    if (p.running) {
      OCR1B += (frame - p.last) >> HW_TICK_SHIFT;
      mode_b(3);
    } else {
      TIMSK1 &= (uint8_t)~_BV(OCIE1B);
      mode_b(0);
    }
  }
}

static void start_a(void) {
  OCR1A = TCNT1 + (START_DELAY >> HW_TICK_SHIFT);
  mode_a(3);
  TIFR1 = _BV(OCF1A);
  TIMSK1 |= _BV(OCIE1A);
}

static void start_b(void) {
  OCR1B = TCNT1 + (START_DELAY >> HW_TICK_SHIFT);
  mode_b(3);
  TIFR1 = _BV(OCF1B);
  TIMSK1 |= _BV(OCIE1B);
}

// ---------------------------------------------------------------- the other pins, by timer 0

static bool by_timer0(const Pulse &p) { return p.running && &p != compare_a && &p != compare_b; }

static void edge(Pulse &p) {
  if (!p.high) {
    level(p, true);
    p.next += begin_pulse(p);
  } else {
    level(p, false);
    p.high = false;
    p.running = wanted(p);
    p.next += frame - p.last;
  }
}

static HW_FAST Pulse *soonest(uint32_t now, int32_t *left) {
  Pulse *best = nullptr;
  for (uint8_t i = 0; i < HW_PULSES; i++) {
    if (!by_timer0(pulses[i])) continue;
    int32_t d = (int32_t)(pulses[i].next - now);
    if (best && d >= *left) continue;
    best = &pulses[i];
    *left = d;
  }
  return best;
}

// Counts of 8 or 64 clock cycles, whichever reaches; a far edge is approached in steps of up to 1 ms.
static void arm_timer0(int32_t ticks) {
  TCCR0A = 0;
  TCNT0 = 0;
  TIFR0 = _BV(OCF0A);
  TIMSK0 = _BV(OCIE0A);
  if (ticks < 256) {
    OCR0A = (uint8_t)(ticks >> HW_TICK_SHIFT);
    TCCR0B = _BV(CS01);
  } else {
    int32_t coarse = (ticks >> (3 + HW_TICK_SHIFT)) - 2;
    OCR0A = coarse > 250 ? 250 : (uint8_t)coarse;
    TCCR0B = _BV(CS01) | _BV(CS00);
  }
}

// Other interrupts are let in but for the last stretch before an edge; `ordered` tells that one of them has changed
// what is to be done.
static volatile bool ordered, serving;

static int32_t ticks_to(const Pulse *p) { return (int32_t)(p->next - hw_ticks()); }

ISR(TIMER0_COMPA_vect) {
  TIMSK0 = 0;
  serving = true;
  uint8_t millisecond = TIMSK2 & _BV(OCIE2A);  // its work takes too long for here, so it waits
  TIMSK2 &= (uint8_t)~_BV(OCIE2A);
  for (;;) {
    ordered = false;
    sei();
    int32_t left = 0;
    Pulse *p = soonest(hw_ticks(), &left);
    if (p && left < 2 * LEAD) {
      while (!ordered && (left = ticks_to(p)) > HELD) {
      }
    }
    cli();
    if (ordered) continue;
    if (!p || left >= 2 * LEAD) {
      if (p) arm_timer0(ticks_to(p) - LEAD);
      break;
    }
    while (ticks_to(p) > 0) {
    }
    edge(*p);
  }
  serving = false;
  TIMSK2 |= millisecond;
}

// ---------------------------------------------------------------- orders

void hw_pulse_start(void) {
  for (uint8_t i = 0; i < HW_PULSES; i++) pulses[i].pin = NO_PIN;
}

// A compare unit keeps the level it gave last, unseen while the port has the pin, and shows it again when it gets the
// pin back: a pulse that is cut is therefore ended by a match, or the next one would begin early and be too wide.
static void end_compared(void) {
  if (compare_a) mode_a(2);
  if (compare_b) mode_b(2);
  uint16_t now = TCNT1;
  OCR1A = OCR1B = now + 4;
  while ((uint16_t)(TCNT1 - now) <= 5) {
  }
}

void hw_pulse_unbind_all(void) {
  uint8_t held = hw_hold();
  TIMSK1 &= (uint8_t) ~(_BV(OCIE1A) | _BV(OCIE1B));
  TIMSK0 = 0;
  end_compared();
  mode_a(0);
  mode_b(0);
  for (uint8_t i = 0; i < HW_PULSES; i++) {
    if (pulses[i].pin != NO_PIN) level(pulses[i], false);
    pulses[i] = Pulse{NO_PIN, false, false, false, 0, 0, 0};
  }
  compare_a = compare_b = nullptr;
  hw_pins_release_all();
  hw_release(held);
}

// Not the pins that the SPI unit drives over the port's head.
bool hw_pulse_possible(uint8_t pin) { return hw_pin_exists(pin) && (pin < 0x13 || pin > 0x15); }

bool hw_pulse_bind(uint8_t channel, uint8_t pin, bool motor) {
  if (!hw_pulse_possible(pin)) return false;
  Pulse &p = pulses[channel - 1];
  uint8_t held = hw_hold();
  hw_pin_output(pin, false);
  p.pin = pin;
  p.motor = motor;
  hw_pins_reserve(pin);
  if (pin == 0x11) compare_a = &p;
  if (pin == 0x12) compare_b = &p;
  hw_release(held);
  return true;
}

void hw_pulse_frame(uint16_t ticks) {
  uint8_t held = hw_hold();
  frame = ticks;
  hw_release(held);
}

static void set_width(uint8_t channel, uint16_t ticks) {
  Pulse &p = pulses[channel - 1];
  if (p.pin == NO_PIN) return;
  p.width = ticks;
  if (p.running || !wanted(p)) return;
  p.running = true;
  if (&p == compare_a) return start_a();
  if (&p == compare_b) return start_b();
  p.next = hw_ticks_held() + START_DELAY + (uint32_t)(channel - 1) * (frame >> 3);  // spread over the frame
  ordered = true;
  if (!serving) arm_timer0(LEAD);
}

bool hw_pulse_servo(uint8_t channel, uint16_t ticks) {
  if (pulses[channel - 1].motor) return false;
  uint8_t held = hw_hold();
  set_width(channel, ticks);
  hw_release(held);
  return true;
}

void guard_output(uint8_t channel, MotorWidth width) {
  uint8_t held = hw_hold();
  if (pulses[channel - 1].motor) set_width(channel, width.ticks());
  hw_release(held);
}

void hw_pulse_silence_motors(bool silent) {
  uint8_t held = hw_hold();
  motors_silent = silent;
  for (uint8_t channel = 1; channel <= HW_PULSES; channel++) set_width(channel, pulses[channel - 1].width);
  hw_release(held);
}

uint16_t hw_pulse_width(uint8_t channel) {
  uint8_t held = hw_hold();
  const Pulse &p = pulses[channel - 1];
  uint16_t width = p.motor && motors_silent ? 0 : p.width;
  hw_release(held);
  return width;
}
