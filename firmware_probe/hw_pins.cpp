// SPDX-License-Identifier: MIT
// Pins by code, edges with time stamps. Every write goes through one check: pins of pulse outputs are left alone.
#include <avr/interrupt.h>
#include <avr/io.h>
#include "hw_chip.h"

#define EDGES 12u

static uint8_t reserved[4];  // by port
struct Kept {
  HwStamp at;     // the flags with twice the port's number added
  uint8_t level;  // of the whole port
};
static Kept edges[EDGES];
static volatile uint8_t edge_head, edge_tail;  // in bytes
static volatile uint16_t edges_lost;
static struct {
  volatile uint8_t level[4], watched[4], irq[4];  // level: as the interrupt saw it last; irq: the transceiver's pin
} ports;
static uint8_t told[4];  // levels as hw_edge_take has told them
static volatile bool irq_fell;
static HwStamp irq_at;
static uint8_t irq_pin = NO_PIN;

void hw_pins_reserve(uint8_t pin) { reserved[pin >> 4] |= HW_MASK(pin); }

void hw_pins_release_all(void) {
  for (uint8_t i = 0; i < 4; i++) reserved[i] = 0;
}

bool hw_pins_reserved(uint8_t pin) {
  uint8_t port = pin >> 4;  // as a byte it is found without a loop of shifts
  return reserved[port] & HW_MASK(pin);
}

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

HW_FAST void hw_pin_write(uint8_t pin, bool level) {
  if (writable(pin)) set_bit(HW_PORT(pin) + HW_OUT, HW_MASK(pin), level);
}

HW_FAST uint32_t hw_pin_pull(uint8_t pin, bool pull, bool up) {
  uint8_t mask = writable(pin) ? HW_MASK(pin) : 0;
  volatile uint8_t *ddr = HW_PORT(pin) + HW_DDR, *out = HW_PORT(pin) + HW_OUT;
  HwStamp stamp;
  uint8_t held = hw_hold();
  uint8_t driven = *ddr & (uint8_t)~mask, high = *out & (uint8_t)~mask;
  if (pull == up) high |= mask;
  if (pull) {
    *out = high;
    *ddr = driven | mask;
  } else {
    *ddr = driven;
    *out = high;
  }
  HW_STAMP(stamp);
  hw_release(held);
  return hw_stamp_tick(stamp);
}

// Pin-change interrupts: PCIE0 is port B, PCIE1 port C, PCIE2 port D; the masks lie in the same order.
static void listen(uint8_t pin, bool on) {
  set_bit(&PCMSK0 + (pin >> 4) - 1, HW_MASK(pin), on);
  if (on) PCICR |= (uint8_t)(1 << ((pin >> 4) - 1));
}

void hw_edge_watch(uint8_t pin, bool on) {
  if (!hw_pin_exists(pin)) return;
  uint8_t held = hw_hold();
  uint8_t port = pin >> 4, mask = HW_MASK(pin);
  ports.watched[port] = on ? ports.watched[port] | mask : ports.watched[port] & (uint8_t)~mask;
  uint8_t level = HW_PORT(pin)[HW_PIN] & mask;
  ports.level[port] = (ports.level[port] & (uint8_t)~mask) | level;
  told[port] = (told[port] & (uint8_t)~mask) | level;
  listen(pin, on || pin == irq_pin);
  hw_release(held);
}

bool hw_edge_waiting(void) { return edge_head != edge_tail; }

static uint8_t after(uint8_t place) { return place == sizeof edges - sizeof(Kept) ? 0 : place + sizeof(Kept); }

// A record may hold the edges of several pins.
bool hw_edge_take(HwEdge *edge) {
  for (; edge_head != edge_tail; edge_tail = after(edge_tail)) {
    const Kept &kept = *(const Kept *)((const uint8_t *)edges + edge_tail);
    uint8_t port = kept.at.flags >> 1, mask = 1;
    uint8_t changed = (kept.level ^ told[port]) & ports.watched[port];
    if (!changed) continue;
    edge->pin = port << 4;
    for (; !(changed & mask); mask <<= 1) edge->pin++;
    told[port] ^= mask;
    edge->level = (kept.level & mask) != 0;
    edge->at = hw_stamp_tick(kept.at);
    return true;
  }
  return false;
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
  if (hw_pin_exists(irq_pin)) {
    listen(irq_pin, ports.watched[irq_pin >> 4] & HW_MASK(irq_pin));
    ports.irq[irq_pin >> 4] = 0;
  }
  irq_pin = pin;
  irq_fell = false;
  if (pin == 0x32) {  // INT0 has the highest priority of all
    EICRA = (EICRA & 0xFC) | _BV(ISC01);
    EIFR = _BV(INTF0);
    EIMSK |= _BV(INT0);
  } else if (hw_pin_exists(pin)) {
    ports.level[pin >> 4] |= HW_PORT(pin)[HW_PIN] & HW_MASK(pin);
    ports.irq[pin >> 4] = HW_MASK(pin);
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

// An edge that came just now is left to hw_radio_irq_take: acted upon twice, the next packet's flag would be lost.
bool hw_radio_irq_low(void) { return hw_pin_exists(irq_pin) && !hw_pin_read(irq_pin) && !irq_fell; }

ISR(INT0_vect) {
  HW_STAMP(irq_at);
  irq_fell = true;
  hw_work = 1;
}

// What all three ports do, with the port's number in r24. Contacts bounce quickly and the stamp of the next edge must
// not wait: the level is read as late as can be (38 cycles after the edge) and the others are let in again about 60
// cycles later, before the registers are taken back. As C++ it would read:
//   HW_STAMP(at); level = *HW_PORT(port); changed = level ^ ports.level[port]; ports.level[port] = level;
//   if (changed & ~level & ports.irq[port]) irq_at = at, irq_fell = true, hw_work = 1;        3:
//   if (!(changed & ports.watched[port])) return;
//   if (there is no room) edges_lost++;                                                       4:
//   else edges[edge_head] = Kept{at, level}, edge_head = its successor, hw_work = 1;
extern "C" void hw_port_changed(void) __attribute__((naked, used, externally_visible));
void hw_port_changed(void) {
  __asm__("push r25\n push r26\n push r27\n push r30\n push r31\n push r18\n push r19\n in r18, __SREG__\n push r18\n"
          "mov r30, r24\n lsl r30\n add r30, r24\n ldi r31, 0\n"
          "lds r26, %[count]\n lds r27, %[count]+1\n ldd r25, Z+0x20\n"  // HW_PORT: three registers a port
          "mov r30, r24\n subi r30, lo8(-(%[ports]))\n sbci r31, hi8(-(%[ports]))\n lsl r24\n"
          "sbic %[flags], 0\n inc r24\n"
          "ld r18, Z\n st Z, r25\n eor r18, r25\n"
          "ldd r19, Z+8\n and r19, r18\n brne 3f\n"
          "1: ldd r19, Z+4\n and r19, r18\n breq 2f\n"
          "lds r30, %[head]\n mov r18, r30\n subi r18, -%[one]\n cpi r18, %[all]\n brne .+2\n ldi r18, 0\n"
          "lds r19, %[tail]\n cp r18, r19\n breq 4f\n"
          "ldi r31, 0\n subi r30, lo8(-(%[edges]))\n sbci r31, hi8(-(%[edges]))\n"
          "st Z, r26\n std Z+1, r27\n std Z+2, r24\n lds r24, %[overflows]\n std Z+3, r24\n std Z+4, r25\n"
          "sts %[head], r18\n ldi r24, 1\n sts %[work], r24\n"
          "2: pop r18\n out __SREG__, r18\n sei\n pop r19\n pop r18\n pop r31\n pop r30\n pop r27\n pop r26\n"
          "pop r25\n pop r24\n reti\n"
          "3: and r19, r25\n brne 1b\n"
          "sts %[irq], r26\n sts %[irq]+1, r27\n sts %[irq]+2, r24\n lds r19, %[overflows]\n sts %[irq]+3, r19\n"
          "ldi r19, 1\n sts %[fell], r19\n sts %[work], r19\n rjmp 1b\n"
          "4: lds r30, %[lost]\n lds r31, %[lost]+1\n adiw r30, 1\n sts %[lost], r30\n sts %[lost]+1, r31\n rjmp 2b\n"
          ::[count] "n"(_SFR_MEM_ADDR(TCNT1)), [flags] "n"(_SFR_IO_ADDR(TIFR1)), [ports] "i"(&ports),
          [head] "i"(&edge_head), [tail] "i"(&edge_tail), [edges] "i"(edges), [one] "n"(sizeof(Kept)),
          [all] "n"(sizeof edges), [overflows] "i"(&hw_overflows), [work] "i"(&hw_work), [irq] "i"(&irq_at),
          [fell] "i"(&irq_fell), [lost] "i"(&edges_lost));
}

#define PORT_ISR(vector, number) \
  ISR(vector, ISR_NAKED) { __asm__("push r24\n ldi r24, " #number "\n jmp hw_port_changed"); }
PORT_ISR(PCINT0_vect, 1)
PORT_ISR(PCINT1_vect, 2)
PORT_ISR(PCINT2_vect, 3)
