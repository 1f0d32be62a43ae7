// SPDX-License-Identifier: MIT
#include "image.h"
#include "hw.h"

#define PIECE 8

static uint32_t crc = 0xFFFFFFFF;
static uint16_t at;


bool image_step(void) {
  uint16_t size = hw_image_size();
  for (uint8_t i = 0; i < PIECE && at < size; i++, at++) {
    crc ^= hw_flash_byte(at);
    for (uint8_t bit = 0; bit < 8; bit++) crc = crc & 1 ? crc >> 1 ^ 0xEDB88320 : crc >> 1;
  }
  return at >= size;
}

uint32_t image_crc(void) { return at >= hw_image_size() ? ~crc : 0; }
