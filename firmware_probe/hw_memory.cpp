// SPDX-License-Identifier: MIT
// The stack's paint, the image in flash, and what only the chip knows.
#include <avr/boot.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include "hw_chip.h"

extern uint8_t __heap_start;           // first byte after the data, from the linker
extern const uint8_t __data_load_end;  // first flash byte after the image, from the linker

uint16_t hw_stack_free(void) {
  const uint8_t *p = &__heap_start;
  while (p < (const uint8_t *)RAMEND && *p == HW_PAINT) p++;
  return p - &__heap_start;
}

bool hw_stack_sound(void) { return (&__heap_start)[0] == HW_PAINT && (&__heap_start)[1] == HW_PAINT; }

uint16_t hw_image_size(void) { return (uint16_t)&__data_load_end; }

uint32_t hw_clock_hz(void) { return F_CPU; }

void hw_signature(uint8_t *three) {
  uint8_t held = hw_hold();
  for (uint8_t i = 0; i < 3; i++) three[i] = boot_signature_byte_get(2 * i);
  hw_release(held);
}

void hw_fuses(uint8_t *four) {
  uint8_t held = hw_hold();
  for (uint8_t i = 0; i < 4; i++) four[i] = boot_lock_fuse_bits_get(i);
  hw_release(held);
}

void hw_flash_read(void *to, const void *from, uint8_t size) { memcpy_P(to, from, size); }

uint8_t hw_flash_byte(uint16_t address) { return pgm_read_byte(address); }
