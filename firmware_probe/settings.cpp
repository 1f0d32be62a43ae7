// SPDX-License-Identifier: MIT
#include "settings.h"
#include <stddef.h>
#include <string.h>
#include "frame.h"

Settings settings;

struct SettingRow {
  uint8_t key, offset, size, text;
  uint16_t min, max;  // of settings of one or two bytes; four bytes are never bounded
};
static const SettingRow rows[] HW_FLASH = {
#define X(name, key, type_, length, default_, min, max) \
  {key, offsetof(Settings, name), sizeof(Settings::name), (length) > 1, min, (uint16_t)(max)},
    SETTINGS_TABLE(X)
#undef X
};
#define ROWS (sizeof rows / sizeof rows[0])

static const Settings defaults HW_FLASH = {
#define X(name, key, type_, length, default_, min, max) default_,
    SETTINGS_TABLE(X)
#undef X
        DEFAULT_PINS,
    DEFAULT_PULSE_KINDS};

void settings_defaults(void) {
  uint8_t role = settings.role;
  char label[sizeof settings.label];
  memcpy(label, settings.label, sizeof label);
  hw_flash_read(&settings, &defaults, sizeof settings);
  settings.role = role;
  memcpy(settings.label, label, sizeof label);
}

static bool find(uint8_t key, SettingRow *row) {
  for (uint8_t i = 0; i < ROWS; i++) {
    hw_flash_read(row, &rows[i], sizeof *row);
    if (row->key == key) return true;
  }
  row->size = 1;
  row->text = 0;
  row->min = 0;
  uint8_t pin = key - SETTING_PIN_KEYS, kind = key - SETTING_PULSE_KIND_KEYS;
  if (pin < FUNCTION_COUNT) {
    row->offset = offsetof(Settings, pins) + pin;
    row->max = 0xFF;
    return true;
  }
  row->offset = offsetof(Settings, pulse_kinds) + kind;
  row->max = PULSE_KIND_COUNT - 1;
  return kind < PULSES;
}

void *settings_place(uint8_t key, uint8_t *size) {
  SettingRow row;
  if (!find(key, &row)) return nullptr;
  *size = row.size;
  return (uint8_t *)&settings + row.offset;
}

static uint8_t check_pin(uint8_t pin) {
  bool analog_only = pin == 0x46 || pin == 0x47;
  return pin == NO_PIN || analog_only || hw_pin_exists(pin) ? 0 : ERROR_VALUE;
}

uint8_t settings_write(uint8_t key, const uint8_t *value, uint8_t size) {
  SettingRow row;
  if (!find(key, &row)) return ERROR_UNKNOWN;
  if (size != row.size) return ERROR_LENGTH;
  if (!row.text && size <= 2) {
    uint16_t number = size == 2 ? value[0] | value[1] << 8 : value[0];
    if (number < row.min || number > row.max) return ERROR_VALUE;
    if (key >= SETTING_PIN_KEYS && key < SETTING_PIN_KEYS + FUNCTION_COUNT && check_pin(*value)) return ERROR_VALUE;
  }
  memcpy((uint8_t *)&settings + row.offset, value, size);
  return 0;
}

// ---------------------------------------------------------------- EEPROM

#define LAYOUT 1          // of a copy; another number makes older copies invalid
#define COPY_STEP 256     // where the second copy lies
#define COPY_DATA 2
#define COPY_SIZE (COPY_DATA + sizeof(Settings) + 2)
#define BOOT_CELLS 32
#define BOOT_BASE 768
static_assert(COPY_SIZE <= COPY_STEP, "a copy outgrew its place");
static_assert(FUNCTION_COUNT <= SETTING_PULSE_KIND_KEYS - SETTING_PIN_KEYS, "pin keys run into the pulse kinds");

static bool good;
static uint8_t newest, sequence;  // which copy is in force
static uint16_t save_at, save_crc, written;

bool settings_good(void) { return good; }

static bool copy_valid(uint8_t copy) {
  uint16_t base = copy * COPY_STEP, crc = 0xFFFF;
  for (uint16_t i = 0; i < COPY_SIZE; i++) crc = crc16(crc, hw_eeprom_read(base + i));
  return crc == 0 && hw_eeprom_read(base) == LAYOUT;
}

bool settings_load(void) {
  memset(&settings, 0, sizeof settings);
  settings_defaults();
  bool valid[2] = {copy_valid(0), copy_valid(1)};
  uint8_t age[2] = {hw_eeprom_read(1), hw_eeprom_read(COPY_STEP + 1)};
  newest = valid[1] && (!valid[0] || (int8_t)(age[1] - age[0]) > 0);
  sequence = age[newest];
  good = valid[newest];
  if (!good) return false;
  for (uint8_t i = 0; i < sizeof settings; i++) {
    ((uint8_t *)&settings)[i] = hw_eeprom_read(newest * COPY_STEP + COPY_DATA + i);
  }
  return true;
}

void settings_save_begin(void) {
  save_at = 0;
  save_crc = 0xFFFF;
  written = 0;
}

static uint8_t byte_to_save(void) {
  if (save_at == 0) return LAYOUT;
  if (save_at == 1) return sequence + 1;
  if (save_at < COPY_DATA + sizeof settings) return ((uint8_t *)&settings)[save_at - COPY_DATA];
  return save_at == COPY_SIZE - 2 ? save_crc >> 8 : (uint8_t)save_crc;
}

// The copy that is being written is invalid from its first changed byte to its last; the other one is untouched.
bool settings_save_step(void) {
  uint16_t base = (newest ^ 1) * COPY_STEP;
  for (uint8_t n = 0; n < 16; n++) {
    if (save_at == COPY_SIZE) {
      newest ^= 1;
      sequence++;
      good = true;
      return true;
    }
    if (!hw_eeprom_ready()) return false;
    uint8_t byte = byte_to_save();
    if (save_at < COPY_SIZE - 2) save_crc = crc16(save_crc, byte);
    if (hw_eeprom_read(base + save_at) != byte) {
      hw_eeprom_write(base + save_at, byte);
      written++;
    }
    save_at++;
  }
  return false;
}

uint16_t settings_save_written(void) { return written; }

// ---------------------------------------------------------------- starts

static uint16_t cell_address(uint8_t cell) { return BOOT_BASE + 3 * cell; }

static bool read_cell(uint8_t cell, uint16_t *count) {
  uint8_t low = hw_eeprom_read(cell_address(cell)), high = hw_eeprom_read(cell_address(cell) + 1);
  *count = low | (uint16_t)high << 8;
  return hw_eeprom_read(cell_address(cell) + 2) == (uint8_t)~(low ^ high ^ 0x5A);
}

static uint8_t newest_cell(uint16_t *count) {
  uint8_t best = BOOT_CELLS - 1;
  bool any = false;
  *count = 0;
  for (uint8_t i = 0; i < BOOT_CELLS; i++) {
    uint16_t here;
    if (!read_cell(i, &here) || (any && (int16_t)(here - *count) <= 0)) continue;
    any = true;
    best = i;
    *count = here;
  }
  return best;
}

uint16_t boots_load(void) {
  uint16_t count;
  newest_cell(&count);
  return count;
}

static uint16_t store_at;
static uint8_t store_bytes[3], store_left;

void boots_store_begin(uint16_t count) {
  uint16_t old;
  store_at = cell_address((newest_cell(&old) + 1) % BOOT_CELLS);
  store_bytes[0] = (uint8_t)count;
  store_bytes[1] = count >> 8;
  store_bytes[2] = (uint8_t)~(store_bytes[0] ^ store_bytes[1] ^ 0x5A);
  store_left = 3;
}

// The check byte goes last: a torn cell does not count.
bool boots_store_step(void) {
  if (store_left && hw_eeprom_ready()) {
    uint8_t i = 3 - store_left--;
    if (hw_eeprom_read(store_at + i) != store_bytes[i]) hw_eeprom_write(store_at + i, store_bytes[i]);
  }
  return store_left == 0;
}
