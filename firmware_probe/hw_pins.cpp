// SPDX-License-Identifier: MIT
// Pins by code, edges with time stamps. Every write goes through one check: pins of pulse outputs are left alone.
#include <avr/interrupt.h>
#include <avr/io.h>
#include "hw_chip.h"

#define EDGES 16u  // power of two

uint8_t hw_bit[8] = {1, 2, 4, 8, 16, 32, 64, 128};
static uint8_t reserved[4];  // by port
struct __attribute__((packed)) Kept {
  uint8_t pin_level;  // level in bit 7
  uint32_t at;
};
static Kept edges[EDGES];
static volatile uint8_t edge_head, edge_tail;
static volatile uint16_t edges_lost;
static volatile uint8_t watched[4], levels[4];  // by port
static volatile bool irq_fell;
static HwStamp irq_at;
static uint8_t irq_pin = NO_PIN;

bool hw_pin_exists(uint8_t pin) {
  uint8_t port = pin >> 4, bit = pin & 0x0F;
  if (port == 1) return bit < 6;
  if (port == 2) return bit < 6;
  return port == 3 && bit >= 2 && bit < 8;  // 0 and 1 are the serial line
}

void hw_pins_reserve(uint8_t pin) { reserved[pin >> 4] |= HW_MASK(pin); }

void hw_pins_release_all(void) {
  for (uint8_t i = 0; i < 4; i++) reserved[i] = 0;
}

bool hw_pins_reserved(uint8_t pin) { return reserved[pin >> 4] & HW_MASK(pin); }

static bool writable(uint8_t pin) { return hw_pin_exists(pin) && !hw_pins_reserved(pin); }

static void set_bit(volatile uint8_t *reg, uint8_t mask, bool on) {
  uint8_t held = hw_hold();
  if (on) {
    *reg |= mask;
  } else {
    *reg &= (uint8_t)~mask;
  }
  hw_release(held);
}

static void leave_spi(uint8_t pin) {
  if (pin >= 0x13 && pin <= 0x15) SPCR = 0;
}

void hw_pin_input(uint8_t pin, bool pull_up) {
  if (!writable(pin)) return;
  leave_spi(pin);
  volatile uint8_t *port = HW_PORT(pin);
  set_bit(port + HW_DDR, HW_MASK(pin), false);
  set_bit(port + HW_OUT, HW_MASK(pin), pull_up);
}

void hw_pin_output(uint8_t pin, bool level) {
  if (!writable(pin)) return;
  leave_spi(pin);
  volatile uint8_t *port = HW_PORT(pin);
  set_bit(port + HW_OUT, HW_MASK(pin), level);
  set_bit(port + HW_DDR, HW_MASK(pin), true);
}

void hw_pin_write(uint8_t pin, bool level) {
  if (writable(pin)) set_bit(HW_PORT(pin) + HW_OUT, HW_MASK(pin), level);
}

HW_FAST uint32_t hw_pin_pull(uint8_t pin, bool low) {
  uint8_t mask = writable(pin) ? HW_MASK(pin) : 0;
  volatile uint8_t *ddr = HW_PORT(pin) + HW_DDR, *out = HW_PORT(pin) + HW_OUT;
  HwStamp stamp;
  uint8_t held = hw_hold();
  if (low) {
    *out &= (uint8_t)~mask;
    *ddr |= mask;
  } else {
    *ddr &= (uint8_t)~mask;
    *out |= mask;
  }
  HW_STAMP(stamp);
  hw_release(held);
  return hw_stamp_tick(stamp);
}

bool hw_pin_read(uint8_t pin) { return hw_pin_exists(pin) && (HW_PORT(pin)[HW_PIN] & HW_MASK(pin)); }

// Pin-change interrupts: PCIE0 is port B, PCIE1 port C, PCIE2 port D; the masks lie in the same order.
static void listen(uint8_t pin, bool on) {
  set_bit(&PCMSK0 + (pin >> 4) - 1, HW_MASK(pin), on);
  if (on) PCICR |= (uint8_t)(1 << ((pin >> 4) - 1));
}

void hw_edge_watch(uint8_t pin, bool on) {
  if (!hw_pin_exists(pin)) return;
  uint8_t held = hw_hold();
  uint8_t port = pin >> 4, mask = HW_MASK(pin);
  watched[port] = on ? watched[port] | mask : watched[port] & (uint8_t)~mask;
  levels[port] = (levels[port] & (uint8_t)~mask) | (HW_PORT(pin)[HW_PIN] & mask);
  listen(pin, on || pin == irq_pin);
  hw_release(held);
}

bool hw_edge_waiting(void) { return edge_head != edge_tail; }

bool hw_edge_take(HwEdge *edge) {
  if (edge_head == edge_tail) return false;
  const Kept &kept = edges[edge_tail];
  edge->pin = kept.pin_level & 0x7F;
  edge->level = kept.pin_level >> 7;
  edge->at = kept.at;
  edge_tail = (edge_tail + 1) & (EDGES - 1);
  return true;
}

uint16_t hw_edges_lost(void) {
  uint8_t held = hw_hold();
  uint16_t n = edges_lost;
  hw_release(held);
  return n;
}

void hw_radio_irq_bind(uint8_t pin) {
  uint8_t held = hw_hold();
  EIMSK &= (uint8_t)~_BV(INT0);
  if (hw_pin_exists(irq_pin)) listen(irq_pin, watched[irq_pin >> 4] & HW_MASK(irq_pin));
  irq_pin = pin;
  irq_fell = false;
  if (pin == 0x32) {  // INT0 has the highest priority of all
    EICRA = (EICRA & 0xFC) | _BV(ISC01);
    EIFR = _BV(INTF0);
    EIMSK |= _BV(INT0);
  } else if (hw_pin_exists(pin)) {
    levels[pin >> 4] |= HW_PORT(pin)[HW_PIN] & HW_MASK(pin);
    listen(pin, true);
  }
  hw_release(held);
}

bool hw_radio_irq_take(uint32_t *at) {
  if (!irq_fell) return false;
  uint8_t held = hw_hold();
  HwStamp stamp = irq_at;
  irq_fell = false;
  hw_release(held);
  *at = hw_stamp_tick(stamp);
  return true;
}

bool hw_radio_irq_low(void) { return hw_pin_exists(irq_pin) && !hw_pin_read(irq_pin); }

static inline __attribute__((always_inline)) void note_irq(void) {
  HW_STAMP(irq_at);
  irq_fell = true;
  hw_work = 1;
}

static void note_edge(uint8_t pin, uint8_t level, uint32_t now) {
  uint8_t next = (edge_head + 1) & (EDGES - 1);
  if (next == edge_tail) {
    edges_lost++;
    return;
  }
  edges[edge_head].pin_level = level ? pin | 0x80 : pin;
  edges[edge_head].at = now;
  edge_head = next;
  hw_work = 1;
}

static HW_FAST void port_changed(uint8_t port) {
  uint32_t now = hw_ticks_held();
  uint8_t level = HW_PORT(port << 4)[HW_PIN], changed = level ^ levels[port];
  levels[port] = level;
  uint8_t mask = 1;
  for (uint8_t pin = port << 4; changed; pin++, mask <<= 1) {
    if (!(changed & mask)) continue;
    changed &= (uint8_t)~mask;
    if (pin == irq_pin && !(level & mask)) note_irq();
    if (watched[port] & mask) note_edge(pin, (level & mask) != 0, now);
  }
}

ISR(INT0_vect) { note_irq(); }
ISR(PCINT0_vect) { port_changed(1); }
ISR(PCINT1_vect) { port_changed(2); }
ISR(PCINT2_vect) { port_changed(3); }
