// SPDX-License-Identifier: MIT
// What happens before main: reset flags saved, watchdog tamed, stack painted.
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include "hw_chip.h"

uint8_t hw_saved_mcusr __attribute__((used)) HW_NOINIT;
uint8_t hw_saved_r2 __attribute__((used)) HW_NOINIT;

// Before the data is set up and before anything uses r2, where some boot loaders leave MCUSR. WDE stays forced on
// while WDRF is set, at the shortest period, so both must go at once (data sheet, "Watchdog Timer").
extern "C" void hw_save_flags(void) __attribute__((naked, used, section(".init3")));
extern "C" void hw_save_flags(void) {
  __asm__ volatile(
      "sts hw_saved_r2, r2\n\t"
      "in r24, %[mcusr]\n\t"
      "sts hw_saved_mcusr, r24\n\t" ::[mcusr] "I"(_SFR_IO_ADDR(MCUSR)) : "r24");
  MCUSR = 0;
  wdt_disable();
  CLKPR = _BV(CLKPCE);  // undoes what the fuse CKDIV8 does; the second within four cycles
  CLKPR = 0;
  // the stack is empty here, so all of it can be painted
  __asm__ volatile(
      "ldi r30, lo8(__heap_start)\n\t"
      "ldi r31, hi8(__heap_start)\n\t"
      "ldi r24, %[paint]\n"
      "1: st Z+, r24\n\t"
      "cpi r30, lo8(%[end])\n\t"
      "ldi r25, hi8(%[end])\n\t"
      "cpc r31, r25\n\t"
      "brlo 1b\n\t" ::[paint] "M"(HW_PAINT), [end] "i"(RAMEND + 1) : "r24", "r25", "r30", "r31");
}

bool hw_clock_right;

// The watchdog's own oscillator, 128 kHz +- 10 % and some more over supply and temperature (data sheet, typical
// characteristics), counts 2048 cycles, 16 ms; the chip's clock is within 10 % of its nominal at worst (the oscillator
// in the chip). An image for the other clock is off by a factor of two.
static void check_clock(void) {
  wdt_reset();
  WDTCSR = _BV(WDCE) | _BV(WDE);
  WDTCSR = _BV(WDIE);
  uint16_t from = TCNT1, took;
  do {
    took = TCNT1 - from;
  } while (!(WDTCSR & _BV(WDIF)) && took < 0xF000);
  hw_clock_right = took > (22600u >> HW_TICK_SHIFT) && took < (45200u >> HW_TICK_SHIFT);
}

void hw_start(void) {
  cli();
  hw_ticks_start();
  check_clock();
  wdt_enable(WDTO_250MS);
  hw_adc_start();
  hw_pulse_start();
  sei();
}

HwReset hw_reset_flags(void) {
  HwReset r = {hw_saved_mcusr, hw_saved_r2};
  return r;
}

void hw_watchdog_kick(void) { wdt_reset(); }

// Every pin as after a reset first: a pulse whose falling edge an interrupt was to prepare would else last until then.
// By a jump nothing of the chip is reset: what could send or drive is stopped here, the rest is set at the start. r2 is
// where some boot loaders leave the reset flags; there are none.
void hw_restart(bool jump) {
  cli();
  TCCR1A = 0;
  DDRB = DDRC = DDRD = 0;
  PORTB = PORTC = PORTD = 0;
  if (jump) {
    UCSR0B = 0;
    __asm__ volatile("clr r2\n jmp 0");
  }
  wdt_enable(WDTO_15MS);
  for (;;) {
  }
}
