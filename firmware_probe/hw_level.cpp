// SPDX-License-Identifier: MIT
// A voltage for the gauge: timer 0 switches a pin with a duty of level / 256, a resistor and a capacitor behind the
// pin (10 kOhm, 0.47 uF) smooth it. No pulse output needs timer 0 on a gauge.
#include <avr/io.h>
#include "hw_chip.h"

#define OC0A_PIN 0x36  // PD6

bool hw_level(uint8_t pin, uint16_t level) {
  if (pin != OC0A_PIN) return false;
  hw_pin_output(pin, false);
  OCR0A = (uint8_t)(level - 1);
  TCCR0A = level ? _BV(COM0A1) | _BV(WGM01) | _BV(WGM00) : 0;
#if F_CPU == 16000000UL
  TCCR0B = _BV(CS01);
#else
  TCCR0B = _BV(CS00);
#endif
  return true;
}
