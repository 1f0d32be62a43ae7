// SPDX-License-Identifier: MIT
// Why the board started, and what it was doing before: from the reset flags, what the boot loader handed on, and a
// record in RAM that a reset leaves alone and a power loss destroys.
#pragma once
#include "catalogue.h"
#include "hw.h"

// Why this life began, and from uptime_ms on what the one before was doing, as it is told.
typedef msg_forensics_answer Start;

struct __attribute__((packed)) Life {  // of the present life
  uint32_t front;        // signature
  uint32_t uptime_ms;    // from here on in the order of Start
  uint8_t loads;         // bit set of Load
  uint16_t lowest_vcc_mv;
  uint16_t radio_losses;
  uint8_t guard;         // GuardState
  uint16_t boots;
  uint8_t intent;        // what restarted us on purpose
  uint8_t loop_age_ms;   // since the main loop last came round
  uint32_t back;         // signature
};
enum Intent { INTENT_NONE = 0, INTENT_REQUESTED = 1, INTENT_STACK = 2 };

extern Life life;
extern Start origin;

void life_start(void);
void life_load(uint8_t load, bool on);
// pure part: what the flags say
uint8_t cause_of_flags(uint8_t flags, uint8_t intent);
void learn_cause(uint8_t mcusr, uint8_t loader, const Life &before, Start *s);
