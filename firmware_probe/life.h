// SPDX-License-Identifier: MIT
// Why the board started, and what it was doing before: from the reset flags, what the boot loader handed on, and a
// record in RAM that a reset leaves alone and a power loss destroys.
#pragma once
#include "catalogue.h"
#include "hw.h"

struct Life {            // of the present life; the one before is kept apart at the start
  uint32_t front;        // signature
  uint32_t uptime_ms;
  uint16_t boots;
  uint16_t lowest_vcc_mv;
  uint16_t radio_losses;
  uint8_t loads;         // bit set of Load
  uint8_t guard;         // GuardState
  uint8_t intent;        // what restarted us on purpose
  uint8_t loop_age_ms;   // since the main loop last came round
  uint32_t back;         // signature
};
enum Intent { INTENT_NONE = 0, INTENT_REQUESTED = 1, INTENT_STACK = 2 };

struct Start {
  Life before;
  uint8_t cause, mcusr, cause_from, survived;
};
extern Life life;
extern Start start;

void life_start(void);
void life_load(uint8_t load, bool on);
// pure part: what the flags say
uint8_t cause_of_flags(uint8_t flags, uint8_t intent);
void learn_cause(uint8_t mcusr, uint8_t loader, Start *s);
