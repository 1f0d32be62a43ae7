// SPDX-License-Identifier: MIT
// The settings in RAM, and their two copies in EEPROM: {version, sequence, data, CRC}. A save writes the older copy
// only, so a power loss in the middle leaves the other one whole.
#pragma once
#include "catalogue.h"
#include "hw.h"

#define PULSES 6

template <class T, int N> struct SettingType { typedef T type[N]; };
template <class T> struct SettingType<T, 1> { typedef T type; };

struct __attribute__((packed)) Settings {
#define X(name, key, type_, length, default_, min, max) SettingType<type_, length>::type name;
  SETTINGS_TABLE(X)
#undef X
  uint16_t own_us[2 * PULSES];  // of each output its idle or neutral, then of each its full; 0: as for all
  uint8_t pins[FUNCTION_COUNT];
  uint8_t pulse_kinds[PULSES];
  uint8_t confirmed;  // outputs, bit 0 is channel 1, as a person has seen them; none once anything of it all is changed
};
extern Settings settings;

bool settings_load(void);      // false: no good copy, defaults are in force
void settings_defaults(void);  // all but role and label
// Where a key's value lies and how wide it is; nullptr for an unknown key.
void *settings_place(uint8_t key, uint8_t *size);
// 0 or an Error; in RAM. wiring: also what decides what a motor controller's pin can emit.
uint8_t settings_write(uint8_t key, const uint8_t *value, uint8_t size, bool wiring);
bool settings_good(void);      // what is in force came from EEPROM or has been saved there

// Saving takes 3.4 ms a byte, in the background.
void settings_save_begin(void);
bool settings_save_step(void);     // true when done
uint16_t settings_save_written(void);

uint16_t boots_load(void);         // starts counted in EEPROM
void boots_store_begin(uint16_t count);  // one cell further, so that 32 cells share the wear; in the background
bool boots_store_step(void);       // true when done
