// SPDX-License-Identifier: MIT
// Pins by code: which there are, and what stands at them.
#include <avr/io.h>
#include "hw_chip.h"

uint8_t hw_bit[8] = {1, 2, 4, 8, 16, 32, 64, 128};

bool hw_pin_exists(uint8_t pin) {
  uint8_t port = pin >> 4, bit = pin & 0x0F;
  if (port == 1) return bit < 6;
  if (port == 2) return bit < 6;
  return port == 3 && bit >= 2 && bit < 8;  // 0 and 1 are the serial line
}

bool hw_pin_read(uint8_t pin) { return hw_pin_exists(pin) && (HW_PORT(pin)[HW_PIN] & HW_MASK(pin)); }
