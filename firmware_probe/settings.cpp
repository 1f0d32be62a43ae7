// SPDX-License-Identifier: MIT
#include "settings.h"
#include <stddef.h>
#include <string.h>
#include "frame.h"

Settings settings;

struct __attribute__((packed)) SettingRow {
  uint8_t key, size;  // in the order in which they lie in Settings
  uint16_t min, max;  // of settings of one or two bytes; others are never bounded
};
static constexpr SettingRow rows[] HW_FLASH = {
#define X(name, key, type_, length, default_, min, max) {key, sizeof(Settings::name), min, (uint16_t)(max)},
    SETTINGS_TABLE(X)
#undef X
};
#define ROWS (sizeof rows / sizeof rows[0])
static_assert(rows[ROWS - 1].min == 0, "what follows the rows goes by the last one's least value");
#define SETTING_ROLE 0
#define OWN_MOST_US 2200  // the guard has narrower bounds, by kind
#define ROLE_GAUGE 2

struct __attribute__((packed)) Told {  // as the front of Settings
#define X(name, key, type_, length, default_, min, max) SettingType<type_, length>::type name;
  SETTINGS_TABLE(X)
#undef X
};
static const Told defaults HW_FLASH = {
#define X(name, key, type_, length, default_, min, max) default_,
    SETTINGS_TABLE(X)
#undef X
};

// Role and label lie first; they stay.
#define KEPT offsetof(Settings, bandgap_mv)
void settings_defaults(void) {
  hw_flash_read((uint8_t *)&settings + KEPT, (const uint8_t *)&defaults + KEPT, sizeof defaults - KEPT);
  memset(settings.own_us, 0, sizeof settings - offsetof(Settings, own_us));  // kinds, confirmed: none
  memset(settings.pins, NO_PIN, sizeof settings.pins);
  settings.pins[FUNCTION_RADIO_MISO] = MISO_PIN;
}

// The value's place; nullptr for an unknown key.
static uint8_t *find(uint8_t key, SettingRow *row) {
  uint8_t *place = (uint8_t *)&settings;
  for (uint8_t i = 0; i < ROWS; i++, place += row->size) {
    hw_flash_read(row, &rows[i], sizeof *row);
    if (row->key == key) return place;
  }
  row->size = 2;
  row->max = OWN_MOST_US;
  key -= SETTING_REST_KEYS;
  if (key < 2 * PULSES) return place + 2 * key;  // these follow
  row->size = 1;
  row->max = 0xFF;
  key -= SETTING_PIN_KEYS - SETTING_REST_KEYS;
  if (key < FUNCTION_COUNT) return &settings.pins[key];
  row->max = PULSE_KIND_COUNT - 1;
  key -= SETTING_PULSE_KIND_KEYS - SETTING_PIN_KEYS;
  return key < PULSES ? &settings.pulse_kinds[key] : nullptr;
}

void *settings_place(uint8_t key, uint8_t *size) {
  SettingRow row;
  void *place = find(key, &row);
  *size = row.size;
  return place;
}

static bool is_pin(uint8_t key) { return (uint8_t)(key - SETTING_PIN_KEYS) < FUNCTION_COUNT; }

static bool pin_ok(uint8_t pin) {
  bool analog_only = pin == 0x46 || pin == 0x47;
  return pin == NO_PIN || analog_only || hw_pin_exists(pin);
}

#define GUARDED_FROM offsetof(Settings, neutral_us)
#define GUARDED_SIZE (offsetof(Settings, frame_us) + sizeof settings.frame_us - GUARDED_FROM)

// What decides what a motor controller's pin can emit.
static bool guarded(uint8_t offset) {
  return (uint8_t)(offset - GUARDED_FROM) < GUARDED_SIZE || offset >= offsetof(Settings, pulse_kinds) ||
         (uint8_t)(offset - offsetof(Settings, own_us)) < sizeof settings.own_us ||
         (uint8_t)(offset - offsetof(Settings, pins) - FUNCTION_PULSE1) < PULSES;
}

uint8_t settings_write(uint8_t key, const uint8_t *value, uint8_t size, bool wiring) {
  SettingRow row;
  uint8_t *place = find(key, &row);
  if (!place) return ERROR_UNKNOWN;
  bool emitted = guarded(place - (uint8_t *)&settings);
  if (emitted && !wiring) return ERROR_GUARDED;
  if (size != row.size) return ERROR_LENGTH;
  if (size <= 2) {
    uint16_t number = size == 2 ? value[0] | value[1] << 8 : value[0];
    if (number < row.min || number > row.max) return ERROR_VALUE;
    if (key == SETTING_ROLE && (*value == ROLE_GAUGE) != GAUGE) return ERROR_ROLE;
    if (row.max == 0xFF && is_pin(key) && !pin_ok(*value)) return ERROR_VALUE;
  }
  if (emitted || place == &settings.role) settings.confirmed = 0;
  memcpy(place, value, size);
  return 0;
}

// ---------------------------------------------------------------- EEPROM

#define LAYOUT 4          // of a copy; a setting is added at the end of the catalogue, with a number more here
#define OLDEST_LAYOUT 2
#define COPY_STEP 256     // where the second copy lies
#define COPY_DATA 2
#define COPY_SIZE (COPY_DATA + sizeof(Settings) + 2)
#define BOOT_CELLS 32
#define BOOT_BASE 768
static_assert(COPY_SIZE < COPY_STEP, "a copy outgrew its place");
static_assert(FUNCTION_COUNT <= SETTING_PULSE_KIND_KEYS - SETTING_PIN_KEYS, "pin keys run into the pulse kinds");

#define FRONT offsetof(Settings, pins)
// Bytes of settings by key in a copy of each layout; what one of before lacks has its default.
static const uint8_t fronts[] HW_FLASH = {offsetof(Told, switch_to_supply), sizeof(Told), FRONT};
static_assert(sizeof fronts == LAYOUT - OLDEST_LAYOUT + 1, "a layout without its size");

static bool good;
static uint8_t newest, sequence;  // which copy is in force
static uint16_t save_at, save_crc, written;

bool settings_good(void) { return good; }

// Bytes that a copy lacks, of those that there are now; 0xFF where it is of no layout that we know.
static uint8_t lacking(uint8_t copy) {
  uint8_t layout = hw_eeprom_read(copy * COPY_STEP) - OLDEST_LAYOUT, front;
  if (layout >= sizeof fronts) return 0xFF;
  hw_flash_read(&front, &fronts[layout], 1);
  return FRONT - front;
}

static bool copy_valid(uint8_t copy) {
  uint16_t base = copy * COPY_STEP, crc = 0xFFFF;
  uint8_t lacks = lacking(copy);
  for (uint8_t i = 0; i < (uint8_t)(COPY_SIZE - lacks); i++) crc = crc16(crc, hw_eeprom_read(base + i));
  return crc == 0 && lacks != 0xFF;
}

// A right CRC says that the copy was meant; it is checked as if each value came over the wire. What is confirmed stays
// so, or a craft would be silent after every power cut; by itself it lets out no more than idle, see guard.h.
static bool take_copy(uint8_t copy) {
  settings_defaults();
  uint16_t from = copy * COPY_STEP + COPY_DATA;
  uint8_t lacks = lacking(copy);
  for (uint8_t i = 0; i < sizeof settings; i++) {
    if (i == (uint8_t)(FRONT - lacks)) i += lacks;
    ((uint8_t *)&settings)[i] = hw_eeprom_read(from++);
  }
  uint8_t confirmed = settings.confirmed;
  for (uint8_t key = 0; key < SETTING_PULSE_KIND_KEYS + PULSES; key++) {
    uint8_t size;
    const uint8_t *value = (const uint8_t *)settings_place(key, &size);
    if (value && settings_write(key, value, size, true)) return false;
  }
  settings.confirmed = confirmed;
  return true;
}

bool settings_load(void) {
  bool valid[2] = {copy_valid(0), copy_valid(1)};
  uint8_t age[2] = {hw_eeprom_read(1), hw_eeprom_read(COPY_STEP + 1)};
  newest = valid[1] && (!valid[0] || (int8_t)(age[1] - age[0]) > 0);
  for (uint8_t n = 0; n < 2; n++, newest ^= 1) {
    sequence = age[newest];
    good = valid[newest] && take_copy(newest);
    if (good) return true;
  }
  memset(&settings, 0, sizeof settings);
  if (GAUGE) settings.role = ROLE_GAUGE;
  settings_defaults();
  return false;
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
