// SPDX-License-Identifier: MIT
#include <avr/io.h>
#include "hw_chip.h"

uint8_t hw_eeprom_read(uint16_t address) {
  while (!hw_eeprom_ready()) {
  }
  EEAR = address;
  EECR |= _BV(EERE);
  return EEDR;
}

bool hw_eeprom_ready(void) { return !(EECR & _BV(EEPE)); }

void hw_eeprom_write(uint16_t address, uint8_t byte) {
  uint8_t held = hw_hold();
  EEAR = address;
  EEDR = byte;
  EECR |= _BV(EEMPE);  // EEPE must follow within four cycles
  EECR |= _BV(EEPE);
  hw_release(held);
}
