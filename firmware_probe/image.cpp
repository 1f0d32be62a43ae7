// SPDX-License-Identifier: MIT
#include "image.h"
#include "hw.h"

#define PIECE 8

static uint32_t crc = 0xFFFFFFFF;
static uint16_t at;

// reflected polynomial 0xEDB88320, four bits at a time
static const uint32_t table[16] HW_FLASH = {
    0x00000000, 0x1DB71064, 0x3B6E20C8, 0x26D930AC, 0x76DC4190, 0x6B6B51F4, 0x4DB26158, 0x5005713C,
    0xEDB88320, 0xF00F9344, 0xD6D6A3E8, 0xCB61B38C, 0x9B64C2B0, 0x86D3D2D4, 0xA00AE278, 0xBDBDF21C};

static uint32_t nibble(uint32_t c, uint8_t value) {
  return (c >> 4) ^ hw_flash_u32(&table[((uint8_t)c ^ value) & 15]);
}

bool image_step(void) {
  uint16_t size = hw_image_size();
  for (uint8_t i = 0; i < PIECE && at < size; i++, at++) {
    uint8_t byte = hw_flash_byte(at);
    crc = nibble(nibble(crc, byte), byte >> 4);
  }
  return at >= size;
}

uint32_t image_crc(void) { return at >= hw_image_size() ? ~crc : 0; }
