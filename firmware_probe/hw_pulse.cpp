// SPDX-License-Identifier: MIT
// Pulse outputs.
//
// PB1 and PB2 are switched by timer 1's compare units: no jitter, whatever the program does. Other pins are switched
// by an interrupt of timer 0 that comes some counts early and waits for the very tick. Measured with six outputs and a
// busy serial line, at 16 MHz: edges within 2 us of their tick, now and then 12, when the line and the transceiver want
// something at that moment; at 8 MHz twice that. Where two edges fall within 30 us of each other, as at 400 Hz, the
// later one is up to 60 us late.
#include <avr/interrupt.h>
#include <avr/io.h>
#include "guard.h"
#include "hw_chip.h"

// in counts of timer 1, 8 cycles of the processor each
#define LEAD 150           // before an edge, at which its interrupt comes: entry and search take 40 to 80, with a busy line 120
#define NEAR 250           // before an edge, from which on it is waited for
#define HELD 12            // before an edge, from which on nothing else is let in; the longest interrupt takes 19
// in ticks
#define START_DELAY 400    // from the order to the first pulse
#define START_LOOK 24      // from the order to the interrupt that looks which edge is next

struct Pulse {
  uint8_t pin;
  bool running, high;
  uint16_t width;          // ticks, of the next pulse; 0: none
  uint16_t last;           // ticks, of the pulse being delivered
  uint32_t next;           // tick of the next edge (pins without a compare unit)
};
static Pulse pulses[HW_PULSES];
static uint16_t frame = 40000;

static Pulse *compared[2];  // by timer 1's units, A and B

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

// ---------------------------------------------------------------- timer 1's compare units

// COM bits: 3 sets the pin at the next match, 2 clears it, 0 leaves it to the port.
static void mode(uint8_t unit, uint8_t com) {
  uint8_t held = hw_hold();  // the other unit's interrupt may come between
  TCCR1A = unit ? (TCCR1A & 0xCF) | (uint8_t)(com << COM1B0) : (TCCR1A & 0x3F) | (uint8_t)(com << COM1A0);
  hw_release(held);
}

#define MATCH_AT(unit) ((&OCR1A)[unit])       // OCR1A and OCR1B lie together
#define MATCH_BIT(unit) (_BV(OCIE1A) << (unit))  // so do their bits

// After a match: the pin has just risen or fallen; prepare the other edge. A rise is prepared only when a pulse is
// wanted, so a train ends with the pin low; the matches that come all the same every time round are passed over.
static void matched(uint8_t unit) {
  Pulse &p = *compared[unit];
  if (!p.running) return;
  uint16_t ticks;
  uint8_t com = 2;
  if (!p.high) {
    ticks = begin_pulse(p);
  } else {
    p.high = false;
    p.running = p.width;
    com = p.running ? 3 : 0;
    ticks = frame - p.last;
  }
  uint16_t at = MATCH_AT(unit) + (ticks >> HW_TICK_SHIFT);
  uint8_t held = hw_hold();  // its upper byte waits in the register TEMP, which who reads the counter meanwhile takes
  MATCH_AT(unit) = at;
  hw_release(held);
  mode(unit, com);
}

HW_OPEN_ISR(TIMER1_COMPA_vect, TIMSK1, OCIE1A) { matched(0); }
HW_OPEN_ISR(TIMER1_COMPB_vect, TIMSK1, OCIE1B) { matched(1); }

static void start_compared(uint8_t unit) {
  MATCH_AT(unit) = TCNT1 + (START_DELAY >> HW_TICK_SHIFT);
  mode(unit, 3);
  TIFR1 = MATCH_BIT(unit);
  TIMSK1 |= MATCH_BIT(unit);
}

// ---------------------------------------------------------------- the other pins, by timer 0

static bool by_timer0(const Pulse &p) { return p.running && &p != compared[0] && &p != compared[1]; }

static void edge(Pulse &p) {
  if (!p.high) {
    level(p, true);
    p.next += begin_pulse(p);
  } else {
    level(p, false);
    p.high = false;
    p.running = p.width;
    p.next += frame - p.last;
  }
}

static HW_FAST Pulse *soonest(void) {
  Pulse *best = nullptr;
  for (Pulse *p = pulses; p != pulses + HW_PULSES; p++) {
    if (by_timer0(*p) && (!best || (int32_t)(p->next - best->next) < 0)) best = p;
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

// Counts to a near edge, while interrupts are held.
static int16_t counts_to(const Pulse *p) { return (uint16_t)(p->next >> HW_TICK_SHIFT) - TCNT1; }

ISR(TIMER0_COMPA_vect) {
  TIMSK0 = 0;
  serving = true;
  uint8_t millisecond = TIMSK2 & _BV(OCIE2A);  // its work takes too long for here, so it waits
  TIMSK2 &= (uint8_t)~_BV(OCIE2A);
  for (;;) {
    ordered = false;
    sei();
    Pulse *p = soonest();
    cli();
    int32_t left = p ? (int32_t)(p->next - hw_ticks_held()) : 0;
    bool near = p && left < NEAR << HW_TICK_SHIFT;
    while (near && !ordered && counts_to(p) > HELD) __asm__ volatile("sei\n nop\n cli" ::: "memory");  // one at a time
    if (ordered) continue;
    if (!near) {
      if (p) arm_timer0(left - (LEAD << HW_TICK_SHIFT));
      break;
    }
    while (counts_to(p) > 0) {
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
  if (compared[0]) mode(0, 2);
  if (compared[1]) mode(1, 2);
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
  mode(0, 0);
  mode(1, 0);
  for (uint8_t i = 0; i < HW_PULSES; i++) {
    if (pulses[i].pin != NO_PIN) level(pulses[i], false);
    pulses[i] = Pulse{NO_PIN, false, false, 0, 0, 0};
  }
  compared[0] = compared[1] = nullptr;
  hw_pins_release_all();
  hw_release(held);
}

// Not the pins that the SPI unit drives over the port's head.
bool hw_pulse_possible(uint8_t pin) { return hw_pin_exists(pin) && (pin < 0x13 || pin > 0x15); }

bool hw_pulse_bind(uint8_t channel, uint8_t pin) {
  if (!hw_pulse_possible(pin)) return false;
  Pulse &p = pulses[channel - 1];
  uint8_t held = hw_hold();
  hw_pin_output(pin, false);
  p.pin = hw_clock_right ? pin : NO_PIN;  // no width would be right
  hw_pins_reserve(pin);
  if (pin == 0x11 || pin == 0x12) compared[pin - 0x11] = &p;
  hw_release(held);
  return true;
}

void hw_pulse_frame(uint16_t ticks) {
  uint8_t held = hw_hold();
  frame = ticks;
  hw_release(held);
}

// Trains without a compare unit rise an eighth of a frame apart, by their channels: so no edge meets another's while a
// pulse is shorter than that. A pin that is about to rise waits a frame longer.
static uint32_t first_rise(const Pulse &p) {
  uint32_t soon = hw_ticks_held() + START_DELAY;
  const Pulse *other = soonest();
  uint32_t rise = soon;
  if (other) {
    rise = other->next;
    if (other->high) rise -= other->last;
  } else {
    other = pulses;
  }
  rise += (int16_t)(&p - other) * (int16_t)(frame >> 3);
  while ((int32_t)(rise - soon) < 0) rise += frame;
  return rise;
}

static void set_width(uint8_t channel, uint16_t ticks) {
  Pulse &p = pulses[channel - 1];
  if (p.pin == NO_PIN) return;
  p.width = ticks;
  if (p.running || !ticks) return;
  p.last = ticks;  // should the train be ended before its first pulse, which then comes all the same
  if (&p == compared[0]) {
    start_compared(0);
  } else if (&p == compared[1]) {
    start_compared(1);
  } else {
    p.next = first_rise(p);
    ordered = true;
    // soon, for another pin's edge may be near; one that is about to come is not put off
    if (!serving && !(TIFR0 & TIMSK0)) arm_timer0(START_LOOK);
  }
  p.running = true;
}

void guard_output(uint8_t channel, GuardedWidth width) {
  uint8_t held = hw_hold();
  set_width(channel, width.ticks());
  hw_release(held);
}

uint16_t hw_pulse_width(uint8_t channel) {
  uint8_t held = hw_hold();
  uint16_t width = pulses[channel - 1].width;
  hw_release(held);
  return width;
}
