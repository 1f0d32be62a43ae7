// SPDX-License-Identifier: MIT
#include "life.h"
#include <stddef.h>
#include <string.h>
#include "settings.h"

#define SIGNATURE_FRONT 0xB35C91E4UL
#define SIGNATURE_BACK 0x6A1DC738UL
#define FLAGS_KNOWN 0x0F
enum Flag { FLAG_POWER_ON = 1, FLAG_EXTERNAL = 2, FLAG_BROWN_OUT = 4, FLAG_WATCHDOG = 8 };
// A loop that old when the reset came was hanging; the watchdog waits 250 ms.
#define HANGING_MS 200

Life life HW_NOINIT;
Start origin;

// The order matters: a power-on may set the brown-out flag too; a boot loader that was entered by the reset line
// ends through the watchdog, so both flags mean the line.
uint8_t cause_of_flags(uint8_t flags, uint8_t intent) {
  if (flags & FLAG_POWER_ON) return RESET_CAUSE_POWER_ON;
  if (flags & FLAG_BROWN_OUT) return RESET_CAUSE_BROWN_OUT;
  if (flags & FLAG_EXTERNAL) return RESET_CAUSE_EXTERNAL;
  if (!(flags & FLAG_WATCHDOG)) return RESET_CAUSE_UNKNOWN;
  if (intent == INTENT_REQUESTED) return RESET_CAUSE_REQUESTED;
  return intent == INTENT_STACK ? RESET_CAUSE_STACK : RESET_CAUSE_WATCHDOG;
}

// Register r2 counts only when it can be MCUSR and agrees with the RAM: contents that survived rule a power-on out,
// lost ones need a power-on or a brown-out.
static bool loader_plausible(uint8_t flags, bool survived) {
  if (flags == 0 || (flags & (uint8_t)~FLAGS_KNOWN)) return false;
  return survived ? !(flags & FLAG_POWER_ON) : (flags & (FLAG_POWER_ON | FLAG_BROWN_OUT)) != 0;
}

static uint8_t infer(const Life &before, bool survived) {
  if (!survived) return RESET_CAUSE_POWER_ON;
  if (before.intent == INTENT_REQUESTED) return RESET_CAUSE_REQUESTED;
  if (before.intent == INTENT_STACK) return RESET_CAUSE_STACK;
  return before.loop_age_ms >= HANGING_MS ? RESET_CAUSE_WATCHDOG : RESET_CAUSE_UNKNOWN;
}

void learn_cause(uint8_t mcusr, uint8_t loader, const Life &before, Start *s) {
  uint8_t intent = s->ram_survived ? before.intent : (uint8_t)INTENT_NONE;
  s->mcusr = mcusr;
  if (mcusr & FLAGS_KNOWN) {
    s->cause = cause_of_flags(mcusr, intent);
    s->cause_from = CAUSE_FROM_FLAGS;
  } else if (loader_plausible(loader, s->ram_survived)) {
    s->mcusr = loader;
    s->cause = cause_of_flags(loader, intent);
    s->cause_from = CAUSE_FROM_LOADER;
  } else {
    s->cause = infer(before, s->ram_survived);
    s->cause_from = s->cause == RESET_CAUSE_UNKNOWN ? CAUSE_FROM_NOTHING : CAUSE_FROM_INFERRED;
  }
}

void life_start(void) {
  HwReset reset = hw_reset_flags();
  origin.ram_survived = life.front == SIGNATURE_FRONT && life.back == SIGNATURE_BACK;
  // the count in RAM runs ahead of the stored one, which is written at power-on and when a life proves long
  uint16_t boots = boots_load();
  if (origin.ram_survived) {
    memcpy(&origin.uptime_ms, &life.uptime_ms, sizeof(Start) - offsetof(Start, uptime_ms));
    if ((int16_t)(life.boots - boots) > 0) boots = life.boots;
  }
  learn_cause(reset.flags, reset.loader, life, &origin);
  memset(&life, 0, sizeof life);
  life.boots = origin.boot_count = boots + 1;
  life.lowest_vcc_mv = 0xFFFF;
  life.front = SIGNATURE_FRONT;
  life.back = SIGNATURE_BACK;
  if (!origin.ram_survived) boots_store_begin(life.boots);
}

void life_load(uint8_t load, bool on) {
  uint8_t held = hw_hold();
  life.loads = on ? life.loads | 1 << load : life.loads & (uint8_t)~(1 << load);
  hw_release(held);
}
